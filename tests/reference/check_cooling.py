"""A flask that cools, against the classical series and against another solver.

With a constant coefficient the answer is the series of Carslaw & Jaeger, Conduction of Heat in
Solids, 2nd ed. 1959, section 7.7, summed here with SciPy's Bessel functions. With radiation,
convection and a steel shell there is no series: the same equations are solved by the method of
lines on a fine even grid with SciPy's BDF, which shares nothing with our graded volumes.
"""

import numpy as np
from scipy.constants import Stefan_Boltzmann
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.special import j0, j1, jn_zeros

from reference import Check, ask

check = Check()
answers = ask("cooling")
capacity = answers["capacity_j_m3k"]


def series(biot, rho, fourier, terms=120):
    ends = np.concatenate([[1e-12], jn_zeros(1, terms)])
    total = np.zeros_like(np.asarray(rho, dtype=float))
    for low, high in zip(ends, jn_zeros(0, terms + 1)):
        mu = brentq(lambda x: x * j1(x) - biot * j0(x), low, high, xtol=1e-13)
        total += (
            2 * biot * j0(mu * rho) * np.exp(-(mu**2) * fourier) / ((mu**2 + biot**2) * j0(mu))
        )
    return total


for row in answers["constant"]:
    radius = row["diameter_mm"] / 2000
    k, h, seconds = answers["conductivity_w_mk"], row["h_w_m2k"], row["seconds"]
    rho = 1 - np.array(row["depths_mm"]) / 1000 / radius
    theirs = 600 * series(h * radius / k, rho, k / capacity * seconds / radius**2)
    for depth, ours, exact in zip(row["depths_mm"], row["over_k"], theirs):
        name = f"{row['diameter_mm']} mm, h {h}, {seconds} s, {depth} mm inside"
        # 0.25 K of 600: the grid is made for that.
        check.near(name, ours, exact, abs_=0.25)

# 1.2 mm of steel, three quarters solid, 7900 kg/m3, 550 J/(kg K); room at 25 degrees Celsius.
SHELL, ROOM_K, EMISSIVITY, CONVECTION = 0.0012 * 0.75 * 7900 * 550, 298.15, 0.8, 10.0


def lines(radius, k, loss, seconds, nodes=600):
    r = np.linspace(0, radius, nodes + 1)
    dr = r[1] - r[0]
    middle = (r[1:] + r[:-1]) / 2
    # Each node's ring lies between the middles beside it; the last also bears the shell.
    bounds = np.concatenate([[0.0], middle, [radius]])
    heat = capacity * (bounds[1:] ** 2 - bounds[:-1] ** 2) / 2
    heat[-1] += SHELL * radius

    def rate(_, kelvin):
        flow = k * middle * (kelvin[:-1] - kelvin[1:]) / dr
        gone = loss * (
            EMISSIVITY * Stefan_Boltzmann * (kelvin[-1] ** 4 - ROOM_K**4)
            + CONVECTION * (kelvin[-1] - ROOM_K)
        )
        change = np.zeros_like(kelvin)
        change[:-1] -= flow
        change[1:] += flow
        change[-1] -= radius * gone
        return change / heat

    band = np.zeros((nodes + 1, nodes + 1))
    index = np.arange(nodes + 1)
    band[np.abs(index[:, None] - index[None, :]) <= 1] = 1
    times = sorted(seconds)
    done = solve_ivp(
        rate,
        (0, times[-1]),
        np.full(nodes + 1, 873.15),
        method="BDF",
        t_eval=times,
        rtol=1e-7,
        atol=1e-5,
        jac_sparsity=band,
    )
    at = lambda column, where: np.interp(where, r, column) - 273.15
    return {
        t: (at(column, radius - 0.010), at(column, 0.0), at(column, radius))
        for t, column in zip(times, done.y.T)
    }


solved = {}
for row in answers["in_air"]:
    key = (row["diameter_mm"], row["conductivity_w_mk"], row["wall_loss"])
    if key not in solved:
        seconds = {r["seconds"] for r in answers["in_air"]}
        solved[key] = lines(key[0] / 2000, key[1], key[2], seconds)
    pieces, axis, wall = solved[key][row["seconds"]]
    name = f"{key} after {row['seconds']} s"
    check.near(f"pieces {name}", row["pieces_c"], pieces, abs_=0.3)
    check.near(f"axis {name}", row["axis_c"], axis, abs_=0.3)
    check.near(f"wall {name}", row["wall_c"], wall, abs_=0.6)

check.done(at_least=300)
