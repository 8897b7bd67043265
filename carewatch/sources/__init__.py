"""Forecast services and recorded files, each one file. Start with port.py."""
