"""The command: it parses words and calls the same public functions a notebook would; nothing is computed here.

Exit codes: 0 the answer stands; 1 the data cannot carry it, or the log has errors; 2 the command was used wrongly.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

__all__ = ["main"]

FIVE = """\
lowtail {version}: how strong, at least, is this part, given a handful of breaks?

  lowtail check FILE        read a break log; list what was found in it and whether it can carry an answer
  lowtail strength FILE     low-percentile strength of every group, with honest bounds
  lowtail compare FILE      does shock loading weaken it? the ratio, and what the data could have shown
  lowtail plan ...          how many more to break before a claim is backed
  lowtail report FILE       all of it as one page to publish

  also: lowtail predict FILE       what the next specimens hold
        lowtail accept SERIES LOT  is a new lot accepted against an earlier series
        lowtail trace FILE...      peak load from a force-time log
        lowtail demo FOLDER        an invented log and its page, to look round

  lowtail COMMAND --help shows options and an example. FILE is CSV, TSV, XLSX, XLS or ODS.
  lowtail --install-completion lets the shell complete commands and options.
  Exit codes: 0 answered; 1 the data cannot carry the answer; 2 wrong usage.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    if words in ([], ["-h"], ["--help"], ["help"]):
        from lowtail import __version__

        print(FIVE.format(version=__version__), end="")
        return 0
    debug = "--debug" in words
    return _guarded(lambda: _run([w for w in words if w != "--debug"]), debug)


def _guarded(task: Callable[[], int], debug: bool) -> int:
    """Turn errors into a message and an exit code; with ``debug`` let them through."""
    from lowtail.errors import LowtailError, NoAnswerError, TableError

    try:
        return task()
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        print("lowtail: stopped.", file=sys.stderr)
        return 130
    except (LowtailError, OSError) as exc:
        if debug:
            raise
        print(f"lowtail: {exc}", file=sys.stderr)
        return 1 if isinstance(exc, (TableError, NoAnswerError)) else 2
    except Exception as exc:
        if debug:
            raise
        print(
            f"lowtail: this is a fault of lowtail, not of your log ({type(exc).__name__}: {exc}). Nothing was "
            "answered. Run it again with --debug and report what it prints.",
            file=sys.stderr,
        )
        return 1


def _run(words: Sequence[str]) -> int:
    from cyclopts.exceptions import CycloptsError

    app = _app()
    try:
        code = app(list(words), exit_on_error=False, print_error=False, result_action="return_value")
    except CycloptsError as exc:
        from lowtail.cli.shared import EXAMPLES

        command = words[0] if words and words[0] in EXAMPLES else ""
        example = f"\nExample: {EXAMPLES[command]}" if command else ""
        see = f"lowtail {command} --help" if command else "lowtail --help"
        print(f"lowtail: {exc}{example}\nSee: {see}", file=sys.stderr)
        return 2
    if isinstance(code, int) and "--json" not in words and words[:1] and words[0] in _SAYS:
        from lowtail._shared.caution import CAUTION

        print(CAUTION)
    return code if isinstance(code, int) else 0


# commands that state something of gear
_SAYS = ("check", "strength", "compare", "plan", "predict", "accept", "trace", "report")


def _app() -> Any:
    from cyclopts import App

    from lowtail import __version__
    from lowtail.cli.answers import check, compare, strength
    from lowtail.cli.planning import plan
    from lowtail.cli.shared import EXAMPLES
    from lowtail.cli.to_come import accept, predict
    from lowtail.cli.writing import demo, report, trace

    app = App(
        name="lowtail", version=__version__, help=FIVE.format(version=__version__), help_format="plaintext",
        help_formatter="plain", default_parameter=_default_parameter(),
    )  # fmt: skip
    for name, task in (
        ("check", check), ("strength", strength), ("compare", compare), ("plan", plan), ("predict", predict),
        ("accept", accept), ("trace", trace), ("report", report), ("demo", demo),
    ):  # fmt: skip
        app.command(task, name=name, help_epilogue=f"Example:\n  {EXAMPLES[name]}")
    app.register_install_completion_command()
    return app


def _default_parameter() -> Any:
    from cyclopts import Parameter

    return Parameter(negative=())
