"""Facts as the words a page shows. Templates only place them."""
