"""What liquids do. Start with liquid.py (a liquid) and freezing.py (when its first ice forms, when its salts fall out).

naming.py what people type; mixing.py what is left after pouring one into another; refractometer.py a reading to a
strength; antifreeze_table.py and fertilizer_table.py the figures with their sources.
"""
