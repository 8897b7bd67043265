"""Stub until the forecast clients land."""
