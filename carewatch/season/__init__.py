"""When winter comes: freeze-date climate, the antifreeze plan, the winter roll."""
