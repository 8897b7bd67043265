"""What an installation sets: one file read once, secrets from the environment. Start with model.py."""
