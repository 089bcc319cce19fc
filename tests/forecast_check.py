"""Asks other libraries about moist air, fitted growth curves and a posterior.

usage: check_values | forecast_check.py

Reads what the example `check_values` of the crate forecast prints, one JSON value a line.
psychrolib (ASHRAE's formulas) must agree on moist air within half a percent from 0 to
25 °C and 40 to 99 % humidity; scipy's least squares must find no better curve than ours;
a fine grid in numpy must give the same posterior. Exit code 1 on any difference.
"""

import json
import sys

import numpy as np
import psychrolib
from scipy.optimize import least_squares

psychrolib.SetUnitSystem(psychrolib.SI)

SEA_LEVEL_PA = 101_325.0
wrong: list[str] = []
checked = {"air": 0, "fit": 0, "posterior": 0}


def agree(what: str, ours: float, theirs: float, within: float) -> None:
    """Notes a difference that is larger than allowed."""
    if not abs(ours - theirs) <= within:
        wrong.append(f"{what}: {ours} here, {theirs} there")


def check_air(air: dict) -> None:
    """Moist air by ASHRAE's formulas."""
    t, rh = air["celsius"], air["pct"] / 100
    where = f"{t} °C, {rh:.0%}"
    saturation = psychrolib.GetSatVapPres(t) / 100
    agree(f"saturation at {where}", air["saturation_hpa"], saturation, 0.005 * saturation)
    ratio = psychrolib.GetHumRatioFromRelHum(t, rh, SEA_LEVEL_PA)
    agree(f"humidity ratio at {where}", air["humidity_ratio"], ratio, 0.005 * ratio)
    deficit = psychrolib.GetVaporPressureDeficit(t, ratio, SEA_LEVEL_PA) / 100
    agree(f"deficit at {where}", air["deficit_hpa"], deficit, 0.005 * deficit)
    dew_point = psychrolib.GetTDewPointFromRelHum(t, rh)
    if dew_point > 0.5:  # below, ASHRAE's is over ice
        agree(f"dew point at {where}", air["dew_point_c"], dew_point, 0.06)


def share(growth: dict, days, ln_scale, ln_steeper):
    """The growth curve, written out once more, in percent."""
    bend = growth["bend"]
    lift = 2**bend - 1
    rate = growth["steepness"] * np.exp(ln_steeper) * bend * 2**bend / (2 * lift)
    x = days / (growth["half_days"] * np.exp(ln_scale))
    return 100 * (1 + lift * np.exp(-rate * (x - 1))) ** (-1 / bend)


def check_fit(fit: dict) -> None:
    """scipy's least squares on the same curve."""
    days, seen = np.array(fit["seen"]).T

    def off(p):
        growth = {"half_days": np.exp(p[1]), "steepness": np.exp(p[2]), "bend": fit["bend"]}
        return p[0] * share(growth, days, 0.0, 0.0) - seen

    start = [1.0, np.log(12.0), np.log(3.0)]
    found = least_squares(off, start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    squares = float(np.sum(found.fun**2))
    agree("squares", fit["squares"], squares, 1e-8 * squares)
    for name, a, b in zip(("top", "half", "steepness"), fit["parameters"], found.x, strict=True):
        agree(name, a, b, 1e-5)
    variance = squares / (len(days) - 3)
    deviations = np.sqrt(np.diag(np.linalg.inv(found.jac.T @ found.jac)) * variance)
    for ours_, theirs in zip(fit["deviations"], deviations, strict=True):
        agree("deviation", ours_, theirs, 2e-3 * theirs)


def check_posterior(given: dict) -> None:
    """The posterior by adding up over a fine grid."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    weights = weights / weights.sum()

    def spread(growth):
        return np.hypot(growth["batch_spread"], growth["half_unsure"])

    def grid(deviation):
        return np.linspace(-7 * deviation, 7 * deviation, 1401)

    def density(x, deviation):
        return np.exp(-0.5 * (x / deviation) ** 2)

    def student(growth, days, seen, ln_scale, ln_steeper):
        z = (seen - share(growth, days, ln_scale, ln_steeper)) / growth["noise_pct"]
        return (1 + z**2 / 4) ** -2.5

    def pace(x, weight):
        weight = weight / weight.sum()
        mean = float((x * weight).sum())
        return mean, float(np.sqrt((x**2 * weight).sum() - mean**2))

    rind, blue, link = given["rind_growth"], given["blue_growth"], given["link"]
    r, b = grid(spread(rind)), grid(spread(blue))
    of_rind = np.zeros_like(r)
    for z, w in zip(nodes, weights, strict=True):
        steeper = z * rind["steepness_spread"]
        looks = [student(rind, days, seen, r, steeper) for days, seen in given["rind"]]
        of_rind += w * np.prod(looks, axis=0)
    of_rind *= density(r, spread(rind))
    rest = spread(blue) * np.sqrt(1 - link**2)
    centre = link * spread(blue) / spread(rind) * r
    prior = (of_rind[:, None] * density(b[None, :] - centre[:, None], rest)).sum(axis=0)
    d = grid(blue["wheel_spread"])
    of_blue = np.zeros_like(b)
    for z, w in zip(nodes, weights, strict=True):
        steeper = z * blue["steepness_spread"]
        joint = w * prior
        for wheel in given["wheels"]:
            own = b[:, None] + d[None, :]
            looks = [student(blue, days, seen, own, steeper) for days, seen in wheel]
            joint = joint * (np.prod(looks, axis=0) * density(d, blue["wheel_spread"])).sum(axis=1)
        of_blue += joint
    for name, ours, theirs in (
        ("rind", given["rind_pace"], pace(r, of_rind)),
        ("blue", given["blue_pace"], pace(b, of_blue)),
    ):
        agree(f"mean pace of the {name}", ours[0], theirs[0], 2e-4)
        agree(f"deviation of the {name}'s pace", ours[1], theirs[1], 2e-4)


CHECKS = {"air": check_air, "fit": check_fit, "posterior": check_posterior}

for line in sys.stdin:
    for kind, value in json.loads(line).items():
        CHECKS[kind](value)
        checked[kind] += 1

for difference in wrong[:20]:
    print(difference, file=sys.stderr)
if wrong or not all(checked.values()):
    print(f"{len(wrong)} differences; checked {checked}", file=sys.stderr)
    sys.exit(1)
print(
    f"psychrolib agrees on {checked['air']} states of moist air, scipy on {checked['fit']} "
    f"fitted curves, numpy on {checked['posterior']} posterior."
)
