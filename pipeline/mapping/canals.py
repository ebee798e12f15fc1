"""Words for canals -> the trade's short names, where a mapping asks for it (`synonyms = true`).

The words are common practice in English, German, French, Spanish, Italian and Polish, from memory; no source. Some
parts of the trade call the outer side of a tooth vestibular (V) where others say buccal (B).
"""

from __future__ import annotations

import polars as pl

# The short name, then words for it; blanks, hyphens, dots and capitals do not count.
_WORDS = """
    MB   MB1, MV, MV1, mesiobuccal, mesiobuccal 1, first mesiobuccal, mesiovestibular, mesiobukkal, mesiovestibulär,
         mésio-vestibulaire, mésiovestibulaire, mesiovestibolare, mezjalny policzkowy, policzkowy mezjalny
    MB2  MV2, mesiobuccal 2, second mesiobuccal, mesiovestibular 2, mesiobukkal 2, mésio-vestibulaire 2,
         mesiovestibolare 2, mesiopalatal, mesiopalatinal
    MB3  MV3, mesiobuccal 3, third mesiobuccal, mesiovestibular 3, mesiobukkal 3
    DB   DV, distobuccal, distovestibular, distobukkal, distovestibulär, disto-vestibulaire, distovestibolare,
         policzkowy dystalny, dystalny policzkowy
    DB2  DV2, distobuccal 2, second distobuccal, distobukkal 2
    ML   mesiolingual, mésio-lingual, mesiolinguale, mezjalny językowy, językowy mezjalny
    DL   distolingual, disto-lingual, distolinguale, językowy dystalny, dystalny językowy
    MM   middle mesial, midmesial, mesial middle, mittlerer mesialer
    MD   middle distal, mid-distal, distal middle, mittlerer distaler
    RE   radix entomolaris, radix
    RP   radix paramolaris
    C    C-shaped, C-shape, C-shaped canal, C-förmig, C-Kanal, en C, conducto en C, canale a C
    B    buccal, bukkal, vestibular, vestibulär, vestibulaire, vestibolare, policzkowy, V
    P    palatal, palatinal, palatine, palatin, palatino, palatale, podniebienny
    P2   palatal 2, second palatal, palatinal 2, palatine 2
    L    lingual, linguale, językowy
    M    mesial, mésial, mesiale, mezjalny
    D    distal, distale, dystalny
    S    single, main, only, one canal, single canal, main canal, einziger, Hauptkanal, Einzelkanal, unique,
         canal unique, único, conducto único, unico, canale unico, pojedynczy, jedyny
"""


def _table() -> dict[str, str]:
    table: dict[str, str] = {}
    name = ""
    for line in _WORDS.strip().splitlines():
        if not line.startswith("         "):
            name, line = line.split(maxsplit=1)
        words = [word for word in line.split(",") if word.strip()]
        table |= {_plain(word): name for word in (name, *words)}
    return table


def _plain(word: str) -> str:
    return "".join(character for character in word.lower() if character.isalnum())


SYNONYMS: dict[str, str] = _table()


def short_name(text: pl.Expr) -> pl.Expr:
    """The trade's short name of a canal; a word that is not in the table stays as it is."""
    plain = text.str.to_lowercase().str.replace_all(r"[^\p{L}\p{N}]+", "")
    return plain.replace_strict(SYNONYMS, default=text, return_dtype=pl.String)
