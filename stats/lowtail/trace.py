"""Force-time logs: a peak with its uncertainty, and into the break log."""

from lowtail.logs.traces.append import append_to_log
from lowtail.logs.traces.budget import LoadCell
from lowtail.logs.traces.peak import PeakLoad, peak_load
from lowtail.logs.traces.rows import trace_rows
from lowtail.logs.traces.trace import Trace, check_trace, read_trace
from lowtail.logs.traces.under_read import under_read_crest, under_read_flank

__all__ = [
    "LoadCell",
    "PeakLoad",
    "Trace",
    "append_to_log",
    "check_trace",
    "peak_load",
    "read_trace",
    "trace_rows",
    "under_read_crest",
    "under_read_flank",
]


def __dir__() -> list[str]:
    return __all__
