"""A loop simulated in time with every source of its noise, as an analyser shows it; writes ../../notes/good/parts/bench.csv.

Shares nothing with the library but the numbers of the note `measured.md`: the detector looks once in a period and puts a
charge into the filter, filter and oscillator move by a matrix exponential, the thermal noise of the resistors by its
exact covariance (C. F. Van Loan, IEEE Trans. Autom. Control 23, 1978), the noise of oscillator, reference, detector and
output as sequences whose spectra are those of the note. What comes out is a phase over time; its averaged periodograms
(Hann windows) stand on the floor of the analyser, with one line that is the bench's own.

`python bench_trace.py`, some minutes; numpy alone is needed. `python bench_trace.py PARTS OUT` takes other numbers from a
JSON file.
"""
import json
import os
import sys

import numpy as np

K_B, KELVIN = 1.380649e-23, 298.15
LOOP = {
    "f_pd": 2.5e6, "n": 1120, "f_ref": 80e6, "gain": 80e6, "pump": 2.5e-3, "at": 2.8e9,
    "C1": 680e-12, "R2": 1020.0, "C2": 18e-9, "R3": 2550.0, "C3": 292e-12,  # C3 with the tuning port's 22 pF
    "reference": [(10, -110), (1e3, -155), (1e5, -165)],
    "oscillator": [(1e3, -62), (1e4, -91), (1e5, -114), (1e6, -135), (1e7, -154)],
    "floor": -219 - 4 * np.log(2.5 / 0.625) / np.log(5 / 0.625), "flicker": (-118, 1e4, 1e9),
    "output": [(1e4, -158), (1e6, -161)],
    "analyser": -152.0, "line": (60e3, 6e-3), "seed": 7,
    "title": "Simulated in time by tests/validation/generators/bench_trace.py, seen by an analyser with a floor of -152 dBc/Hz.",
    # Segments, samples in each, those before it that are thrown away, samples in a period of the detector.
    "record": [256, 40_000, 4_000, 4], "decades": 3.5,
}
PER_DECADE = 30


def table(points, f):
    """dB over log f; below the first point its slope goes on, above the last its level holds; as a power."""
    x, y = np.log10([p[0] for p in points]), np.array([p[1] for p in points], float)
    x_f = np.log10(f)
    below = y[0] + (x_f - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
    return 10 ** (np.where(x_f < x[0], below, np.interp(x_f, x, y)) / 10)


def sequence(rng, spectrum, rate, length, count):
    """Gaussian sequences with this one-sided spectrum, one in a column; no mean."""
    f = np.fft.rfftfreq(length, 1 / rate)
    power = np.zeros(f.size)
    power[1:] = spectrum(f[1:])
    noise = rng.standard_normal((f.size, count)) + 1j * rng.standard_normal((f.size, count))
    noise *= np.sqrt(power * rate * length / 4)[:, None]
    return np.fft.irfft(noise, length, axis=0)


def exponential(a):
    squarings = max(0, int(np.ceil(np.log2(np.abs(a).sum(axis=1).max()))) + 6)
    a = a / 2**squarings
    total, term = np.eye(len(a)), np.eye(len(a))
    for k in range(1, 16):
        term = term @ a / k
        total = total + term
    for _ in range(squarings):
        total = total @ total
    return total


def phases(p, rng):
    """Phase of the output over time, rad, one segment in a column, several samples in a period of the detector."""
    segments, length, settle, sub = p["record"]
    rate, step = p["f_pd"] * sub, 1 / (p["f_pd"] * sub)
    g2, g3 = 1 / p["R2"], 1 / p["R3"]
    # Voltages of C1, C2, C3 and the oscillator's phase in cycles.
    a = np.array([
        [-(g2 + g3) / p["C1"], g2 / p["C1"], g3 / p["C1"], 0],
        [g2 / p["C2"], -g2 / p["C2"], 0, 0],
        [g3 / p["C3"], 0, -g3 / p["C3"], 0],
        [0, 0, p["gain"], 0],
    ])
    b = np.array([[1 / p["C1"], -1 / p["C2"], 0, 0], [1 / p["C1"], 0, -1 / p["C3"], 0]]).T
    q = b @ np.diag([2 * K_B * KELVIN * g2, 2 * K_B * KELVIN * g3]) @ b.T
    # Scaled to volts and cycles of one size, or the exponential of the block loses its digits.
    scale = np.diag([1, 1, 1, p["gain"] * step])
    a, q = np.linalg.solve(scale, a @ scale), np.linalg.solve(scale, np.linalg.solve(scale, q).T).T
    block = exponential(np.block([[-a, q], [np.zeros((4, 4)), a.T]]) * step)
    move = block[4:, 4:].T
    covariance = move @ block[:4, 4:]
    value, vector = np.linalg.eigh((covariance + covariance.T) / 2)
    thermal = vector * np.sqrt(np.clip(value, 0, None))
    f_out = p["f_pd"] * p["n"]
    total = length + settle

    def oscillator(f):
        level = 2 * table(p["oscillator"], f) * (f_out / p["at"]) ** 2
        return level * (2 * np.sin(np.pi * f * step)) ** 2 / (2 * np.pi) ** 2

    def detector(f):
        level, offset, carrier = p["flicker"]
        at_reference = table(p["reference"], f) * (p["f_pd"] / p["f_ref"]) ** 2
        floor = 10 ** (p["floor"] / 10) * p["f_pd"]
        flicker = 10 ** (level / 10) * (p["f_pd"] / carrier) ** 2 * offset / f
        return 2 * (at_reference + floor + flicker) / (2 * np.pi) ** 2

    drift = sequence(rng, oscillator, rate, total, segments)
    edges = sequence(rng, detector, p["f_pd"], total // sub, segments)
    state = np.zeros((4, segments))
    out = np.empty((total, segments))
    cycles = p["gain"] * step
    for k in range(total):
        if k % sub == 0:
            late = edges[k // sub] - state[3] * cycles / p["n"]
            state[0] += p["pump"] / p["f_pd"] * late / p["C1"]
        state = move @ state + thermal @ rng.standard_normal((4, segments))
        state[3] += drift[k] / cycles
        out[k] = state[3]
    out = 2 * np.pi * cycles * out[settle:]
    out += sequence(rng, lambda f: 2 * table(p["output"], f), rate, length, segments)
    out += sequence(rng, lambda f: 2 * 10 ** (p["analyser"] / 10) + 0 * f, rate, length, segments)
    time = np.arange(length)[:, None] * step
    for f, peak in np.atleast_2d(p["line"]):
        out += peak * np.sin(2 * np.pi * (f * time + rng.random(segments)))
    return out, rate


def main(p, path):
    rng = np.random.default_rng(p["seed"])
    out, rate = phases(p, rng)
    segments, length = p["record"][:2]
    window = np.hanning(length + 1)[:-1]
    spectrum = np.zeros(length // 2 + 1)
    for column in out.T:
        spectrum += np.abs(np.fft.rfft(window * column)) ** 2
    level = spectrum / segments / (rate * (window**2).sum())  # S_phi / 2 of the one-sided spectrum
    f = np.fft.rfftfreq(length, 1 / rate)
    edges = 1e3 * 10 ** ((np.arange(int(p["decades"] * PER_DECADE) + 1) - 0.5) / PER_DECADE)
    with open(path, "w", encoding="ascii") as file:
        file.write(f"# {p['title']}\noffset (kHz), noise (dBc/Hz)\n")
        for low, high in zip(edges, edges[1:]):
            inside = (f >= low) & (f < high)
            if inside.any():
                # The mean of a power law over a bin belongs to its geometric middle.
                middle = np.exp(np.log(f[inside]).mean())
                file.write(f"{middle / 1e3:.5g}, {10 * np.log10(level[inside].mean()):.2f}\n")


if __name__ == "__main__":
    here = os.path.dirname(os.path.abspath(__file__))
    if len(sys.argv) == 3:
        with open(sys.argv[1], encoding="ascii") as given:
            LOOP.update(json.load(given))
        main(LOOP, sys.argv[2])
    else:
        main(LOOP, os.path.join(here, "../../notes/good/parts/bench.csv"))
