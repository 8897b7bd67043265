"""carewatch knows what every boom holds, watches the coming nights and tells people in time."""
