"""The one door out: what leaves for a terminal, a text file or a workbook is written here, and made harmless here."""
