"""Commands. Start with main.py."""
