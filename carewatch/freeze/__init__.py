"""Will it freeze: sky, heat balance, margin, night error, the outlook. Start with outlook.py."""
