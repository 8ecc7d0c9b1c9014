"""Write ``__init__.pyi``, the names an editor sees, from those that ``lowtail`` loads: run it to renew it."""

from pathlib import Path

import lowtail

PLACE = Path(lowtail.__file__).with_suffix(".pyi")


def stub() -> str:
    """The stub file as it must be."""
    homes: dict[str, list[str]] = {}
    for name, home in lowtail._HOME.items():
        homes.setdefault(f"lowtail.{home}", []).append(name)
    homes["."] = list(lowtail._NAMESPACES)
    lines = ['"""Names of lowtail for editors and type checkers; written by tests/house/stub.py."""', ""]
    for home in sorted(homes):
        lines += [f"from {home} import {name} as {name}" for name in sorted(homes[home])]
    return "\n".join([*lines, "", "__version__: str", ""])


if __name__ == "__main__":
    PLACE.write_text(stub(), encoding="utf-8")
