"""How good the chance is: table.py reads nights forecast and observed, chances.py says what would have
been said in date order, measures.py scores any chances, scorecard.py puts it together. Start in scorecard.py.
"""
