"""The studies are scripts, run by hand; only the tests beside them are collected."""

collect_ignore_glob = [
    "batches_*.py",
    "checks_*.py",
    "compare_*.py",
    "coverage.py",
    "early_*.py",
    "other_*.py",
    "parts_*.py",
    "plan_*.py",
    "trend_*.py",
]
