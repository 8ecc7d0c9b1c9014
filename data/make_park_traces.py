"""Write the invented force-time logs of the high-ropes park: every true peak is known, since it is put in here.

Nothing was measured: no rig, park, maker or person stands behind these numbers. Run ``python data/make_park_traces.py``
to write the four files of data/traces/ again, byte for byte.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parent / "traces"
SAYS = "INVENTED DATA for learning the program: no rig, park, maker or person stands behind these numbers"


def slow_pull(t: np.ndarray) -> np.ndarray:
    """Slack, then 0.55 kN/s with a little stiffening; the cord parts at 14.62 kN."""
    pulled = np.clip(t - 2.0, 0.0, None)
    force = 0.55 * pulled + 0.0009 * pulled**2
    parted = np.interp(14.62, force, t)
    return np.where(t < parted, force, 0.0)


def half_sine(t: np.ndarray, start: float, width: float, crest: float) -> np.ndarray:
    """One pulse of a mass on a rope."""
    angle = np.pi * (t - start) / width
    return np.where((angle > 0) & (angle < np.pi), crest * np.sin(angle), 0.0)


def drop_held(t: np.ndarray) -> np.ndarray:
    """A drop that the sling held: crest 9.40 kN, 60 ms wide, then two rebounds."""
    return half_sine(t, 0.200, 0.060, 9.40) + half_sine(t, 0.42, 0.055, 4.1) + half_sine(t, 0.60, 0.050, 1.7)


def drop_broke(t: np.ndarray) -> np.ndarray:
    """A drop that broke the connector on the rising flank: 18.30 kN, 80 % of a crest of 22.875 kN, 20 ms wide."""
    force = half_sine(t, 0.0804, 0.020, 18.30 / 0.8)
    broke = 0.0804 + 0.020 * np.arcsin(0.8) / np.pi
    return np.where(t < broke, force, 0.0)


def fuse_first(t: np.ndarray) -> np.ndarray:
    """The rig's fuse parts at 11.90 kN; the backup rope then catches the load at 5.20 kN: the specimen never broke."""
    pulled = np.clip(t - 1.5, 0.0, None) * 0.80
    parted = 1.5 + 11.90 / 0.80
    first = np.where(t < parted, pulled, 0.0)
    second = np.clip(t - parted - 0.9, 0.0, None) * 0.65
    held = np.where(second < 5.20, second, 5.20)
    return first + np.where(t < parted + 11.0, held, 0.0)


def write(name: str, head: list[str], rows: list[str], encoding: str = "utf-8", end: str = "\n") -> None:
    (FOLDER / name).write_bytes((end.join([*head, *rows]) + end).encode(encoding))


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    rng = np.random.default_rng(20_260_501)

    t = np.arange(0, 31.0, 1 / 100)
    force = slow_pull(t) + rng.normal(0, 0.006, t.size)
    rows = [f"{a:.2f},{round(f / 0.005) * 0.005:.3f}" for a, f in zip(t, force, strict=True)]
    head = [f"# {SAYS}", "# Slow pull, sewn cord 7 mm, specimen P-31", "# Sample rate: 100 Hz", "# Capacity: 50 kN",
            "Time [s],Load [kN]"]  # fmt: skip
    write("slow_pull_P31.csv", head, rows)

    t = np.arange(0, 1.0, 1 / 5000)
    force = drop_held(t) + 0.05 + rng.normal(0, 0.008, t.size)
    rows = [f"{1000 * a:.1f};{round(f / 0.002) * 0.002:.3f}".replace(".", ",") for a, f in zip(t, force, strict=True)]
    head = [SAYS, "Drop, sewn sling, specimen D-07;;", "Sampling rate;5000;Hz", "", "Time;Force", "ms;kN"]
    write("drop_clean_D07.csv", head, rows, encoding="cp1252", end="\r\n")

    t = np.arange(0, 0.4, 1 / 1000) + 0.00031
    force = drop_broke(t) * 1000 + rng.normal(0, 12, t.size)
    rows = [f"{a:.5f}\t{-round(f / 5) * 5:d}" for a, f in zip(t, force, strict=True)]
    head = [f"{SAYS}", "Drop, aluminium connector, specimen D-12; tension reads negative", "Elapsed (s)\tForce (N)"]
    write("drop_too_slow_D12.txt", head, rows)

    t = np.arange(0, 32.0, 1 / 50)
    force = fuse_first(t) + rng.normal(0, 0.01, t.size)
    peak = np.maximum.accumulate(force)
    lbf = 4.4482216152605e-3
    stamp = [f"10:{14 + int(a // 60):02d}:{a % 60:06.3f}" for a in t]
    rows = [f"{s},{f / lbf:.1f},{p / lbf:.1f}" for s, f, p in zip(stamp, force, peak, strict=True)]
    head = [f'"{SAYS}"', '"Slow pull, ring sling, specimen P-35, fuse in the line"', "Clock,Load (lbf),Peak (lbf)"]
    write("fuse_first_P35.csv", head, rows)

    truth = {
        "note": SAYS,
        "slow_pull_P31.csv": {"true_peak_kN": 14.62, "broke": True, "what": "the specimen broke"},
        "drop_clean_D07.csv": {"true_peak_kN": 9.40, "broke": False, "what": "held; the cell reads 0.05 kN at rest"},
        "drop_too_slow_D12.txt": {"true_peak_kN": 18.30, "broke": True, "what": "broke on the rising flank, 1 kHz"},
        "fuse_first_P35.csv": {"true_peak_kN": 11.90, "broke": True, "what": "the rig's fuse broke, not the specimen"},
    }
    (FOLDER / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
