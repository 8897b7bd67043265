"""Pages and feeds."""
