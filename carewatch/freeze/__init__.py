"""Will it freeze. Start with assess.py: cases in, outlooks out.

outlook.py the values; forcing.py what the weather does to a machine where it stands; parts.py what can freeze;
kernel.py the heat balance with numpy (exchange.py, air.py, sky.py its physics), kernel_numba.py the same compiled,
engines.py which of the two; batch.py everything on one batch axis; margin.py the freeze margin, sweep.py margins of
great fleets; night_error.py and learning.py how far a forecast may be off; grades.py severity and certainty; because.py
the reasons; cooling.py and odds.py the two calculators; score/ how good the chance was.
"""
