"""Conversions, the standard atmosphere and flow tubes against Pint and a layer-by-layer
integration with SciPy.

Pint keeps its own definitions (from the SI and from NIST), and the atmosphere is integrated
here from the hydrostatic equation with the constants of ISO 2533:1975 instead of its closed
formula.
"""

import math

import pint
from scipy.constants import R
from scipy.integrate import quad

from reference import Check, ask

registry = pint.UnitRegistry()
PINT = {
    "Cel": registry.degC,
    "degF": registry.degF,
    "K": registry.kelvin,
    "kPa": registry.kilopascal,
    "mbar": registry.millibar,
    "hPa": registry.hectopascal,
    "Pa": registry.pascal,
    "MPa": registry.megapascal,
    "bar": registry.bar,
    "Torr": registry.torr,
    "mmHg": registry.mmHg,
    "inHg": registry.inHg,
    "psi": registry.psi,
    "L/min": registry.liter / registry.minute,
    "mL/min": registry.milliliter / registry.minute,
    "ft3/h": registry.foot**3 / registry.hour,
    "L/s": registry.liter / registry.second,
    "m3/h": registry.meter**3 / registry.hour,
    "m3/s": registry.meter**3 / registry.second,
}
DIFFERENCE = {"Cel": "delta_degC", "degF": "delta_degF", "K": "kelvin"}

check = Check()
seen = set()
for row in ask("units"):
    word, reading = row["unit"], row["reading"]
    seen.add(word)
    stored = registry.Quantity(reading, PINT[word]).to(PINT[row["stored_in"]]).magnitude
    # 1e-7: Pint rounds the density of mercury to 13.5951 g/cm3 as we do, and lb, ft, gn are exact.
    check.near(f"{reading} {word}", row["stored"], stored, rel=1e-7, abs_=1e-9)
    check.near(f"{reading} {word} and back", row["back"], reading, rel=1e-12, abs_=1e-9)
    if word in DIFFERENCE:
        apart = registry.Quantity(reading, DIFFERENCE[word]).to("delta_degC").magnitude
        check.near(f"{reading} {word} apart", row["difference_stored"], apart, rel=1e-12)
check.same("every unit was compared", seen, set(PINT))

air = ask("air")
G, LAPSE, AIR_R, T0, P0, EARTH = 9.80665, -0.0065, 287.05287, 288.15, 101.325, 6_356_766.0
for row in air["atmosphere"]:
    h = row["altitude_m"]
    # d ln p = - g(z) dz / (R T(H(z))), gravity falling with the square of distance.
    integral, _ = quad(
        lambda z: G
        * (EARTH / (EARTH + z)) ** 2
        / (AIR_R * (T0 + LAPSE * EARTH * z / (EARTH + z))),
        0,
        h,
    )
    check.near(f"air at {h} m", row["kpa"], P0 * math.exp(-integral), rel=1e-9)

# kg/mol: IUPAC standard atomic weights of nitrogen and argon; air as in ISO 2533.
MOLAR = {"air": 0.02896442, "nitrogen": 0.0280134, "argon": 0.039948}
for row in air["tubes"]:
    density = lambda gas, kpa, celsius: kpa * 1000 * MOLAR[gas] / (R * (celsius + 273.15))
    factor = math.sqrt(
        density(row["scale"], 101.325, 20.0) / density("argon", row["kpa"], row["celsius"])
    )
    check.near(f"argon on a scale for {row['scale']}", row["argon_per_shown"], factor, rel=1e-9)

check.done(at_least=300)
