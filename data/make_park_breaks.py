"""Write park_breaks.csv, the invented demo log. The same numbers every time; run it from anywhere.

    python data/make_park_breaks.py

Every specimen has a Weibull strength by the laws in ``LAWS`` below, and the rig has a strength of its own: whichever is
less ends the test. The true low strengths are in README.md beside this file.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import brentq

SEED = 20_240_503
HEADER = (
    "specimen", "item", "orientation", "method", "load [kN]", "outcome", "failed part", "failure site", "batch",
    "condition", "age [years]", "rated [kN]", "drop mass [kg]", "drop height [m]", "sample rate [Hz]", "date",
    "instrument", "note", "excluded", "exclusion reason",
)  # fmt: skip

# item, orientation, method: scale [kN], shape, specimens, batches, rated [kN], what the rig bears (mean, sd), sites
OVAL, ALU, SLING, CORD = "steel oval connector", "aluminium connector", "sewn sling", "6 mm cord, overhand loop"
LAWS = [
    (OVAL, "major axis", "slow pull", 27.0, 24.0, 8, "PQR", 18.0, (28.3, 0.8), ("gate end", "spine")),
    (OVAL, "major axis", "shock", 26.0, 20.0, 6, "PQR", 18.0, (40.0, 1.0), ("gate end", "spine")),
    (OVAL, "minor axis", "slow pull", 11.5, 16.0, 8, "PQ", 7.0, (60.0, 1.0), ("gate", "hinge")),
    (OVAL, "gate open", "slow pull", 9.2, 14.0, 6, "PQ", 5.0, (60.0, 1.0), ("gate end",)),
    (OVAL, "gate open", "shock", 8.7, 12.0, 5, "PQ", 5.0, (40.0, 1.0), ("gate end",)),
    (ALU, "major axis", "slow pull", 25.5, 22.0, 8, "ABC", 22.0, (26.6, 0.8), ("gate end", "basket")),
    (ALU, "major axis", "shock", 24.6, 18.0, 7, "ABC", 22.0, (26.0, 0.8), ("gate end", "basket")),
    (ALU, "minor axis", "slow pull", 9.6, 14.0, 6, "AB", 8.0, (60.0, 1.0), ("gate",)),
    (ALU, "minor axis", "shock", 9.0, 12.0, 5, "AB", 8.0, (40.0, 1.0), ("gate",)),
    (ALU, "gate open", "slow pull", 9.0, 12.0, 6, "AB", 7.0, (60.0, 1.0), ("gate end",)),
    (SLING, "straight", "slow pull", 25.8, 18.0, 8, "KLM", 22.0, (60.0, 1.0), ("stitching", "webbing")),
    (SLING, "straight", "shock", 22.4, 14.0, 7, "KLM", 22.0, (22.6, 0.8), ("stitching", "webbing")),
    (SLING, "basket", "slow pull", 44.0, 18.0, 7, "KL", 40.0, (42.5, 1.2), ("webbing",)),
    (SLING, "choked", "slow pull", 17.4, 15.0, 6, "KL", 14.0, (60.0, 1.0), ("webbing at the choke",)),
    (SLING, "choked", "shock", 15.2, 12.0, 5, "KL", 14.0, (40.0, 1.0), ("webbing at the choke",)),
    (CORD, "straight", "slow pull", 6.6, 14.0, 8, "SX", 5.0, (60.0, 1.0), ("at the knot",)),
    (CORD, "straight", "shock", 5.8, 11.0, 7, "SX", 5.0, (40.0, 1.0), ("at the knot", "at the shackle")),
    (CORD, "basket", "slow pull", 12.3, 13.0, 7, "SX", 9.0, (60.0, 1.0), ("at the knot",)),
]  # fmt: skip
AGED = {SLING: 0.012, CORD: 0.020}  # share of strength lost each year of age; the connectors lose none
DROPS = {OVAL: (100, 1.2), ALU: (100, 1.1), SLING: (80, 1.5), CORD: (80, 0.6)}  # kg, m
CODES = {OVAL: "SO", ALU: "AC", SLING: "SL", CORD: "CD"}
BATCH_AGE = dict(zip("PQRABCKLMSX", (6, 4, 2, 5, 3, 1, 5, 3, 2, 4, 1), strict=True))


def true_low(law: tuple[Any, ...], fraction_below: float) -> float:
    """Load that the stated fraction of the group's population does not reach, its batches in the proportions tested."""
    item, _, _, scale, shape, n, batches, *_ = law
    scales = [scale * (1.0 - AGED.get(item, 0.0) * BATCH_AGE[batches[i % len(batches)]]) for i in range(n)]

    def excess(load: float) -> float:
        return float(np.mean([-np.expm1(-((load / s) ** shape)) for s in scales])) - fraction_below

    return float(brentq(excess, 0.1 * min(scales), max(scales)))


def truth_table() -> list[str]:
    """True 1 %, 5 % and 10 % strengths of every group, as lines of Markdown."""
    lines = [
        "| item | orientation | method | true 1 % [kN] | true 5 % [kN] | true 10 % [kN] |",
        "|---|---|---|---|---|---|",
    ]
    for law in LAWS:
        lows = " | ".join(f"{true_low(law, p):.2f}" for p in (0.01, 0.05, 0.10))
        lines.append(f"| {law[0]} | {law[1]} | {law[2]} | {lows} |")
    return lines


def rows() -> list[list[str]]:
    """Every row of the log as text."""
    rng = np.random.default_rng(SEED)
    out: list[list[str]] = []
    count = dict.fromkeys(CODES, 0)
    for item, orientation, method, scale, shape, n, batches, rated, (rig, rig_sd), sites in LAWS:
        for i in range(n):
            batch = batches[i % len(batches)]
            age = BATCH_AGE[batch]
            strength = scale * rng.weibull(shape) * (1.0 - AGED.get(item, 0.0) * age)
            limit = rng.normal(rig, rig_sd)
            site = sites[int(rng.integers(len(sites)))]
            count[item] += 1
            held = limit < strength
            shock = method == "shock"
            mass, height = DROPS[item] if shock else ("", "")
            high_rate = shock and rng.random() < 0.75
            out.append([
                f"{CODES[item]}-{count[item]:02d}", item, orientation, method, f"{min(limit, strength):.2f}",
                "other part broke" if held else "broke", "fuse" if held and not shock else "rig rope" if held else "",
                "" if held else site, batch, "retired from the course" if age > 1 else "bought new", str(age),
                f"{rated:g}", str(mass), str(height), ("4800" if high_rate else "1200") if shock else "",
                f"2024-05-{3 + len(out) // 45:02d}", "drop rig D1" if shock else "bench B1", "", "", "",
            ])  # fmt: skip
    return _mishaps(out)


def _mishaps(out: list[list[str]]) -> list[list[str]]:
    """Put in what every series has: a knot that slipped, a void run, a specimen that should not have been tested."""
    by_name = {row[0]: row for row in out}
    slipped = by_name["CD-03"]
    slipped[4], slipped[5], slipped[7] = f"{0.78 * float(slipped[4]):.2f}", "slipped", ""
    slipped[17] = "tail pulled through the knot before the cord broke"
    void = by_name["AC-12"]
    void[5], void[7], void[17] = "invalid", "", "load recorder triggered late; peak not trusted"
    cut = by_name["SL-11"]
    cut[18], cut[19] = "true", "sling was cut by the shackle thread while being set up"
    return out


def main() -> None:
    """Write the file beside this script."""
    path = Path(__file__).with_name("park_breaks.csv")
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["INVENTED DATA for demonstration. No real park, product or test: see data/README.md"])
        writer.writerow(["Yearly retirement tests of an imaginary high-ropes park, season 2024. Loads in kN."])
        writer.writerow([])
        writer.writerow(HEADER)
        writer.writerows(rows())
    print("\n".join(truth_table()))
    print(f"{path.name}: {sum(law[5] for law in LAWS)} specimens")


if __name__ == "__main__":
    main()
