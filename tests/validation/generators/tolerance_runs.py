"""A loop over the spread of its parts as a plain numpy Monte Carlo; writes ../tolerance-runs.json.

Shares nothing with the library but the numbers of the loop: its own draws, its own ladder, its own reading of tables, a
trapezoid on a dense grid, bisection for the bandwidth. `python tolerance_runs.py`, half a minute; numpy alone is needed.
"""
import json
import os

import numpy as np

RUNS, CHUNK, SEED = 20_000, 250, 20
K_B = 1.380649e-23
PARTS = {"C1": 8.2e-9, "R2": 220.0, "C2": 120e-9, "R3": 680.0, "C3": 1.5e-9}
PART_TOLERANCE, GAIN_TOLERANCE, PUMP_TOLERANCE, LEVEL_TOLERANCE = 0.05, 0.10, 0.05, 1.0
COLD, HOT, HOME = 253.15, 333.15, 298.15
F_REF, F_PD, N, GAIN, PUMP = 80e6, 2.5e6, 1120.0, 80e6, 2.5e-3
PORT_C, PORT_POLE, PUSHING, DRIFT = 47e-12, 12e6, 8e6, -120e3
REFERENCE = [(10, -110), (1e3, -155), (1e5, -165)]
OSCILLATOR = [(1e3, -62), (1e4, -91), (1e5, -114), (1e6, -135), (1e7, -154)]
SUPPLY = [(10, -144), (1e5, -164)]  # dB over 1 V^2/Hz
OUTPUT = [(1e4, -158), (1e6, -161)]
FLOOR, FLICKER = -222.0, (-118.0, 1e4, 1e9)


def table(points, f):
    """dB over log f; below the first point its slope goes on, above the last its level holds."""
    x, y = np.log10([p[0] for p in points]), np.array([p[1] for p in points], float)
    level = np.interp(np.log10(f), x, y)
    below = y[0] + (np.log10(f) - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
    return 10 ** (np.where(np.log10(f) < x[0], below, level) / 10)


def open_loop(p, f):
    """G and what the filter's resistors put on the tuning port, volts per volt, with the port's own pole."""
    s = 2j * np.pi * f
    c3 = p["C3"] + PORT_C
    y3 = s * c3 / (1 + s * p["R3"] * c3)
    y2 = s * p["C2"] / (1 + s * p["R2"] * p["C2"])
    whole = s * p["C1"] + y2 + y3
    last = 1 / (1 + s * p["R3"] * c3)
    port = 1 / (1 + 1j * f / PORT_POLE)
    z = last / whole
    g = p["pump"] * p["gain"] * z * port / (N * s)
    # R2 in series with C2 drives the node through y2; R3 sees the node's impedance without its own branch.
    t2 = y2 / whole * last * port
    t3 = (s * p["C1"] + y2) / whole * last * port
    return g, t2, t3


def draw(rng, n, normal):
    """Deviations over the tolerance: uniform, or normal with the tolerance at three deviations, cut off there."""
    if not normal:
        return rng.uniform(-1, 1, n)
    found = rng.standard_normal(2 * n) / 3
    return found[np.abs(found) <= 1][:n]


def runs(normal):
    rng = np.random.default_rng(SEED)
    u = lambda: draw(rng, RUNS, normal)[:, None]
    p = {name: value * (1 + PART_TOLERANCE * u()) for name, value in PARTS.items()}
    p["gain"], p["pump"] = GAIN * (1 + GAIN_TOLERANCE * u()), PUMP * (1 + PUMP_TOLERANCE * u())
    p["temperature"] = 0.5 * (COLD + HOT) + 0.5 * (HOT - COLD) * u()
    lift = {n: 10 ** (LEVEL_TOLERANCE * u() / 10) for n in ("reference", "oscillator", "detector", "flicker", "output")}
    out = {"tuning_voltage": 2.5 - DRIFT * (p["temperature"][:, 0] - HOME) / GAIN}
    low, high = np.full((RUNS, 1), 1e3), np.full((RUNS, 1), 1e6)
    for _ in range(60):
        middle = np.sqrt(low * high)
        above = np.abs(open_loop(p, middle)[0]) > 1
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    out["bandwidth"] = low[:, 0]
    out["phase_margin"] = 180 + np.degrees(np.angle(open_loop(p, low)[0][:, 0]))
    f = np.logspace(3, 7, 801)[None, :]
    fvco = N * F_PD
    rms = []
    for start in range(0, RUNS, CHUNK):
        q = {k: v[start:start + CHUNK] for k, v in p.items()}
        up = {k: v[start:start + CHUNK] for k, v in lift.items()}
        g, t2, t3 = open_loop(q, f)
        closed, error = np.abs(g / (1 + g)) ** 2, np.abs(1 / (1 + g)) ** 2
        inner = up["reference"] * table(REFERENCE, f) * (fvco / F_REF) ** 2
        inner = inner + up["detector"] * 10 ** (FLOOR / 10) * F_PD * N ** 2
        inner = inner + up["flicker"] * 10 ** (FLICKER[0] / 10) * (fvco / FLICKER[2]) ** 2 * FLICKER[1] / f
        volts = 4 * K_B * q["temperature"] * (q["R2"] * np.abs(t2) ** 2 + q["R3"] * np.abs(t3) ** 2)
        outer = up["oscillator"] * table(OSCILLATOR, f) + volts * (q["gain"] / f) ** 2 / 2
        outer = outer + table(SUPPLY, f) * (PUSHING / f) ** 2 / 2
        total = inner * closed + outer * error + up["output"] * table(OUTPUT, f)
        rms.append(np.sqrt(2 * np.trapezoid(total * f, np.log(f), axis=1)))
    out["rms_phase"] = np.concatenate(rms)
    return out


def summary(x):
    off = x - x.mean()
    return {"mean": float(x.mean()), "deviation": float(x.std(ddof=1)), "kurtosis": float((off ** 4).mean() / (off ** 2).mean() ** 2)}


if __name__ == "__main__":
    found = {name: {k: summary(v) for k, v in runs(normal).items()} for name, normal in (("uniform", False), ("normal", True))}
    path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "tolerance-runs.json")
    with open(path, "w") as file:
        json.dump({"numpy": np.__version__, "seed": SEED, "runs": RUNS, **found}, file, indent=1)
        file.write("\n")
    print(json.dumps(found, indent=1))
