"""What must be done: one file per kind of duty. Start with plan.py."""
