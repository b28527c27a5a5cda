"""The cautions of the trade, in full and as the few that fit the step at hand.

Common practice, no source; local rules and licensed practice come first.
"""

from __future__ import annotations

LENGTH_FIRST = "No driving until static toe is set, both sides."
# one of two lateral links
CAMBER_TOO = "The length moves camber too: set that first."
AT_HAND = "Rated stands, never a jack alone; swing by hand: no bind. See README."
# for who has neither README nor sheet
IN_CHAT = (
    "Rated stands, never a jack alone; swing by hand: no bind; static toe set before driving, "
    "both sides; series' rules and a qualified technician come first. The page has the rest."
)
# a steered axle, whose tilt in steer nothing here foretells
IN_STEER = "Steer lock to lock at full droop and full bump too."

IN_FULL = (
    "Support the car on rated stands on level ground, never on a jack alone.",
    "Suspension and steering fasteners to the maker's torque, with new lock nuts where called for.",
    "Keep full thread engagement (witness holes covered) and joint movement; clock the two "
    "rod-end bodies alike; lock nuts tight.",
    "The outermost washer is larger than the rod end's hole, so that the link stays captive.",
    "Hard flat shims, few and thick rather than many and thin.",
    "Swing the wheel by hand from droop to bump and lock to lock: no bind, no touch on wheel, "
    "brake line or driveshaft; no rod end bottoming on its cone or boot.",
    "A taller stack bends the stud more.",
    "After a length change the car does not drive until static toe is set, both sides.",
    "First drive slow; look again at lock nuts and toe afterwards.",
    "Follow the series' rules, local law and a qualified technician's judgement. The tool "
    "advises; it does not certify.",
)
