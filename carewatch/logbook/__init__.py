"""What happened: entry kinds, and contents, place and spray hours folded from entries. Start with effects.py, the table."""
