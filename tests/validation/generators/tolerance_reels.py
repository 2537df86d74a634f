"""Parts of one reel: deviations of a loop in which equal parts share part of their errors; writes ../tolerance-reels.json.

Its own copula (numpy's multivariate normal, the normal distribution of the standard library), the loop of tolerance_runs.py
with other parts. `python tolerance_reels.py`, a few seconds; numpy alone is needed.
"""
import json
import os
from statistics import NormalDist

import numpy as np

import tolerance_runs as loop

RUNS, SEED = 20_000, 31
PARTS = {"C1": 1.5e-9, "R2": 680.0, "C2": 120e-9, "R3": 680.0, "C3": 1.5e-9}
REELS = [("R2", "R3"), ("C1", "C3")]
RANK, TOLERANCE = 0.8, 0.05
NORMAL = NormalDist()


def errors(rng, normal):
    """Deviations over the tolerance by part: equal parts with the rank correlation RANK."""
    if normal:
        low = NORMAL.cdf(-3)
        place = np.vectorize(lambda z: NORMAL.inv_cdf(low + NORMAL.cdf(z) * (1 - 2 * low)) / 3)
    else:
        place = np.vectorize(lambda z: 2 * NORMAL.cdf(z) - 1)
    behind = 2 * np.sin(np.pi * RANK / 6)
    found = {"C2": place(rng.standard_normal(RUNS))}
    for pair in REELS:
        both = rng.multivariate_normal([0, 0], [[1, behind], [behind, 1]], RUNS)
        for k, name in enumerate(pair):
            found[name] = place(both[:, k])
    return found


def runs(normal):
    off = errors(np.random.default_rng(SEED), normal)
    p = {name: value * (1 + TOLERANCE * off[name][:, None]) for name, value in PARTS.items()}
    p["gain"], p["pump"] = loop.GAIN, loop.PUMP
    low, high = np.full((RUNS, 1), 1e3), np.full((RUNS, 1), 1e6)
    for _ in range(60):
        middle = np.sqrt(low * high)
        above = np.abs(loop.open_loop(p, middle)[0]) > 1
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    margin = 180 + np.degrees(np.angle(loop.open_loop(p, low)[0][:, 0]))
    return {"bandwidth": low[:, 0], "phase_margin": margin}


if __name__ == "__main__":
    found = {name: {k: loop.summary(v) for k, v in runs(normal).items()} for name, normal in (("uniform", False), ("normal", True))}
    path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "tolerance-reels.json")
    with open(path, "w") as file:
        json.dump({"numpy": np.__version__, "seed": SEED, "runs": RUNS, "rank": RANK, **found}, file, indent=1)
        file.write("\n")
    print(json.dumps(found, indent=1))
