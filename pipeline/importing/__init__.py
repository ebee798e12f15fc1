"""From exports to records in the store: one file is one batch is one transaction; what is refused is kept and told."""
