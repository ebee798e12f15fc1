"""`python -m pipeline.cli`: as `canalwise`."""

from pipeline.cli import main

main()
