"""What is coming: a forecast as arrays with age and origin, nights, joining two sources. Start with forecast.py."""
