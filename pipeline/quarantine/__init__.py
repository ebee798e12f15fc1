"""Refused rows as a workplace: listing and counting them, handing them out to be mended, reading them again.

`listing` tells what was refused and why; `export` and `sheet` write it for the person who mends it; `came_back` reads
such a file as it was meant; `retry` reads the kept rows again, under today's rules and the mapping they were read by or
a mended one.
"""

from __future__ import annotations

from pipeline.quarantine.export import check_format, export
from pipeline.quarantine.listing import Refused, Wanted, by_reason, refused
from pipeline.quarantine.retry import retry

__all__ = ["Refused", "Wanted", "by_reason", "check_format", "export", "refused", "retry"]
