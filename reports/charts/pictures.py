"""Charts drawn as static SVG, in processes of their own beside the computing of measures.

The drawing library holds the interpreter while it works, about 40 ms a chart: threads would gain nothing. This module
imports next to nothing of ours, as every process loads it.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import cached_property
from importlib import metadata
from multiprocessing import get_context
from pathlib import Path
from types import TracebackType
from typing import Any

from markupsafe import Markup

from pipeline.errors import UserError

MOST_PROCESSES = 4  # each holds about 150 MB


_FIRST = '{"data":{"values":[{"x":1}]},"mark":"point","encoding":{"x":{"field":"x","type":"quantitative"}}}'


class Pictures:
    """Pictures of specifications, each drawn once; ask early with `want`, take with `of`. Use as a context.

    `config` is the Vega-Lite configuration of all of them, `drawn` are pictures of an earlier run by their keys.
    """

    def __init__(self, config: Mapping[str, Any], drawn: Mapping[str, str] | None = None) -> None:
        # A new interpreter each (spawn): a fork would carry DuckDB's threads half over.
        # One processor is left to the measures.
        self._processes = max(1, min(MOST_PROCESSES, (os.cpu_count() or 1) - 1))
        self._pool = ProcessPoolExecutor(self._processes, mp_context=get_context("spawn"))
        self._config = config
        self._drawn = drawn or {}
        self._taken: dict[str, str] = {}
        self._asked: dict[str, Future[str]] = {}
        self._script: Future[str] | None = None

    def __enter__(self) -> Pictures:
        if not self._drawn:
            for _ in range(self._processes):  # the first chart of a process takes a second: while there is none yet
                self._pool.submit(picture, _FIRST, {})
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._pool.shutdown(cancel_futures=True)
        if isinstance(error, BrokenProcessPool):
            raise UserError("a process that draws charts was ended", do="Is memory short? Try again") from None

    def want(self, specs: Iterable[str]) -> None:
        """Have these drawn, without waiting."""
        for spec in specs:
            if spec not in self._asked and self._key(spec) not in self._drawn:
                self._asked[spec] = self._pool.submit(picture, spec, self._config)

    def of(self, spec: str) -> Markup:
        """The picture of a specification, waiting for it if need be."""
        self.want([spec])
        key = self._key(spec)
        self._taken[key] = self._asked[spec].result() if spec in self._asked else self._drawn[key]
        return Markup(self._taken[key])  # drawn by this program, its text escaped by the drawing library

    @property
    def made(self) -> dict[str, str]:
        """What was drawn in this run, by key."""
        return {key: svg for key, svg in self._taken.items() if key not in self._drawn}

    @property
    def used(self) -> list[str]:
        """The keys of all pictures that were taken."""
        return list(self._taken)

    def _key(self, spec: str) -> str:
        """Of all that a picture follows from: what it shows, how, and what draws it."""
        return hashlib.sha256(f"{self._how}\n{spec}".encode()).hexdigest()

    @cached_property
    def _how(self) -> str:
        here = Path(__file__).read_bytes()  # what this module does with a picture
        drawer = metadata.version("vl-convert-python")
        return f"{drawer} {hashlib.sha256(here).hexdigest()} {json.dumps(self._config, sort_keys=True)}"

    def want_script(self, page: str) -> None:
        """Have the browser's script made: Vega, Vega-Lite and `page`, the code of our own pages."""
        self._script = self._pool.submit(bundle, page)

    def script(self) -> str:
        """The script that was asked for."""
        assert self._script is not None
        return self._script.result()


def picture(spec: str, config: Mapping[str, Any]) -> str:
    """A specification with its configuration as SVG, without script, links or network.

    AssertionError if it holds any of them.
    """
    import vl_convert

    whole = json.dumps({**json.loads(spec), "config": config})
    svg = vl_convert.vegalite_to_svg(whole, allowed_base_urls=[])
    if "<a " in svg or "xlink:href" in svg or "<script" in svg:  # the data itself is escaped in the SVG
        raise AssertionError("a chart may hold neither links nor scripts")
    return _own_ids(_tidy(svg), hashlib.sha256(spec.encode()).hexdigest()[:8])


def bundle(page: str) -> str:
    """Vega, Vega-Lite and their embedding as one script that ends in `page`; takes about 2 s."""
    import vl_convert

    return str(vl_convert.javascript_bundle(page))


_NOISE = re.compile(
    r' (?:aria-hidden="true"|aria-roledescription="[^"]*"|role="graphics-[a-z]+"|pointer-events="none")'
)
_EMPTY = re.compile(r'<path class="(?:background|foreground)" d="[^"]*"(?: display="none")?/>')


_CLIP = re.compile(r'(<clipPath id="| clip-path="url\(#)(clip\d+)')


def _own_ids(svg: str, name: str) -> str:
    """The SVG with ids that no other picture of a page has: the drawing library numbers them anew in each process."""
    return _CLIP.sub(rf"\g<1>{name}-\g<2>", svg)


def _tidy(svg: str) -> str:
    """The SVG without what only scripts and viewers of single elements need: about a third smaller."""
    svg = svg.replace(' xmlns:xlink="http://www.w3.org/1999/xlink"', "", 1)
    svg = _EMPTY.sub("", _NOISE.sub("", svg))
    return svg.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
