"""Keeping nozzle bodies in order: decisions, causes, parts, sampling, the round. Start with decisions.py."""
