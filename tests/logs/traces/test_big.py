"""Ten million samples: read whole, in memory that does not grow with the text."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import lowtail

CODE = """
import resource, sys, time
import pandas, scipy.optimize, scipy.signal
from lowtail.logs.traces.trace import read_trace
from lowtail.logs.traces.peak import peak_load
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
start = time.perf_counter()
trace = read_trace(sys.argv[1], progress=True)
peak = peak_load(trace)
grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
print(trace.n, f"{grown:.0f} {time.perf_counter() - start:.0f} {peak.peak_kN:.3f} {peak.at_s:.4f} {peak.broke_after}")
"""


@pytest.mark.slow
def test_ten_million_samples(tmp_path: Path) -> None:
    """150 MB of text; a drop of 20 kN in the middle; less than 64 bytes of memory a sample at the highest."""
    file = tmp_path / "big.csv"
    n, block = 10_000_000, 500_000
    rng = np.random.default_rng(1)
    with file.open("w") as handle:
        handle.write("INVENTED\nTime [s],Load [kN]\n")
        for a in range(0, n, block):
            t = np.arange(a, a + block) / 10_000
            force = np.where((t > 500) & (t < 500.02), 20 * np.sin(np.pi * (t - 500) / 0.02), 0.0)
            force += rng.normal(0, 0.01, block)
            handle.write("".join(f"{x:.4f},{y:.3f}\n" for x, y in zip(t, force, strict=True)))
    assert file.stat().st_size > 100_000_000
    env = os.environ | {"PYTHONPATH": str(Path(lowtail.__file__).parents[1])}
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(file)], capture_output=True, text=True, check=True, timeout=600, env=env
    )
    file.unlink()
    samples, grown, seconds, peak, at, broke = done.stdout.split()
    assert int(samples) == n
    assert float(grown) < 64 * n / 2**20, grown
    assert float(seconds) < 300
    assert float(peak) == pytest.approx(20, abs=0.05) and float(at) == pytest.approx(500.01, abs=0.001)
    assert broke == "False"
    assert "big.csv: 100%" in done.stderr
