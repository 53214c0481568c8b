#!/usr/bin/python3
"""Answers questions about water from two published libraries that share nothing with dewline.

Standard input holds one question a line, standard output one number a line in the same order:

    water-pressure,CELSIUS     saturation pressure over liquid water in pascal (IAPWS-95)
    water-temperature,PASCAL   its inverse in degrees Celsius (IAPWS-95)
    oxygen,CELSIUS             oxygen saturation of fresh water at one atmosphere in kg/m3 (Garcia & Gordon 1992)

The libraries are the Debian packages python3-iapws and python3-gsw.
"""

import sys

try:
    import gsw
    from iapws import IAPWS95
except ImportError as missing:
    sys.exit(f"{missing}: install the Debian packages python3-iapws and python3-gsw, and run this with /usr/bin/python3")

ZERO_CELSIUS = 273.15
OXYGEN_KG_PER_MOL = 31.9988e-3


def oxygen(celsius):
    conservative = gsw.CT_from_t(0, celsius, 0)
    return gsw.O2sol_SP_pt(0, celsius) * 1e-6 * OXYGEN_KG_PER_MOL * gsw.rho(0, conservative, 0)


ANSWERS = {
    "water-pressure": lambda celsius: IAPWS95(T=celsius + ZERO_CELSIUS, x=1).P * 1e6,
    "water-temperature": lambda pascal: IAPWS95(P=pascal * 1e-6, x=1).T - ZERO_CELSIUS,
    "oxygen": oxygen,
}

for line in sys.stdin:
    name, value = line.strip().split(",")
    print(repr(float(ANSWERS[name](float(value)))))
