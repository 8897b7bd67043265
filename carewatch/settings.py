"""Settings, read once."""
