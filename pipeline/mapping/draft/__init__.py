"""Drafting a mapping file for an unknown export: the evidence, the assignment, and the text of the draft."""
