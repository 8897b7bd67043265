"""What to do before a nozzle body is opened, and after. The label, the manual and local rules go first.

Common practice, no published source, where nothing else is said. Military maintenance manuals (TM 5-3805-248-23-1 and
NAVAIR 01-1A-509-3, as published on tpub.com) ask for power off, cleaner running out of a connector that points down, no
wire brush or metal tool on pins, and connectors kept covered; on grease they contradict each other, hence the wording.
"""

from __future__ import annotations

BEFORE_OPENING = (
    "Know what is in it; wear what the label asks for.",
    "Pressure off: see the gauge at zero, open a nozzle to be sure.",
    "Drain this part of the boom.",
    "Power off: no coil may pulse while hands are at it.",
    "Cover the connectors; catch the drip, it is pesticide.",
)
AFTER_OPENING = (
    "Dry the connectors: low-pressure air below 10 psi (0.7 bar), or let them hang open and down.",
    "Contact cleaner on the pins, let it run out and dry; no wire brush, no metal. It may be flammable: no sparks.",
    "A thin film of dielectric grease on seal and boot, none in the cavity; the connector's own sheet goes first.",
    "Close it, power on, see that each side pulses.",
    "Leak check at low pressure, standing clear; then write connectors_checked with the position.",
)
WHILE_OPEN = "While a body is open, renew seals and springs of both sides: one leaking side costs more than a kit."
