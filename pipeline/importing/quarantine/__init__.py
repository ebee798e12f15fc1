"""Refused rows and blanked cells as a workplace: listing and counting them, handing them out to be mended, reading them
again.

`listing` tells what was refused or left empty, and why; `files` and `sheet` write it for the person who mends it;
`kept` and `again` read the kept rows again, under today's rules and the mapping they were read by or a mended one;
`standing` tells what else a mended mapping would read otherwise.
"""

from __future__ import annotations

from pipeline.importing.quarantine.again import retry, retry_dated
from pipeline.importing.quarantine.files import FORMATS, export
from pipeline.importing.quarantine.listing import Refused, Wanted, by_reason, counted, refused
from pipeline.importing.quarantine.standing import Standing, standing

__all__ = [
    "FORMATS",
    "Refused",
    "Standing",
    "Wanted",
    "by_reason",
    "counted",
    "export",
    "refused",
    "retry",
    "retry_dated",
    "standing",
]
