"""The measures: a pair of files each, NAME.sql and NAME.toml; there is no registry."""
