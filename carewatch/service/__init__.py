"""The use cases, the clock, replay, health: the only room that knows all adapters. Start with usecase.py."""
