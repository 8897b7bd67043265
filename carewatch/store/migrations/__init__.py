"""The steps from an empty database to the current tables, one file each under versions/. Never edited after landing."""
