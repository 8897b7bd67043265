"""What happened: entries, and contents, place and hours folded from them. Start with effects.py, the table."""
