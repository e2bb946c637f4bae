"""The list in REFERENCES.md holds every source that code, assumptions or tests cite by name and year."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.assumptions import built_in

ROOT = Path(__file__).parents[2]
ROOMS = ("pipeline", "schemas", "dashboard", "tests")
DATES = (
    "January|February|March|April|May|June|July|August|September|October|November|December|"
    "Jan|Feb|Mar|Apr|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
)
# Emerson et al. 1975 · Summerfelt & Penne 2007 · Middelburg, Soetaert & Hagens 2020 · Sen 1968, J. Am. … · USEPA 1993
CITED = re.compile(
    r"\b([A-Z]\w+)(?:, [A-Z]\w+)*(?: et al\.| & [A-Z]\w+),? \(?((?:19|20)\d\d)\b"
    rf"|\b(?!(?:{DATES})\b)([A-Z][a-z]+|USEPA) ((?:19|20)\d\d)(?=, [A-Z]|[;:)])"
)


def references() -> list[str]:
    """The entries of the list, one string each."""
    text = Path(__file__).with_name("REFERENCES.md").read_text(encoding="utf-8")
    part = text.split("\n## References\n", 1)[1].split("\n## ", 1)[0]
    return [" ".join(entry.split()) for entry in re.split(r"\n(?=- )", part)]


def citations(text: str) -> set[tuple[str, str]]:
    """First author and year of everything cited in a text."""
    return {(m[1] or m[3], m[2] or m[4]) for m in CITED.finditer(" ".join(text.split()))}


def cited() -> dict[tuple[str, str], str]:
    """First author and year -> a file that cites them."""
    here = Path(__file__)
    files = [p for room in ROOMS for kind in ("*.py", "*.toml") for p in sorted((ROOT / room).rglob(kind)) if p != here]
    return {
        one: str(file.relative_to(ROOT))
        for file in files
        for one in sorted(citations(file.read_text(encoding="utf-8")))
    }


def test_every_citation_is_in_the_list() -> None:
    listed = references()
    missing = {
        f"{author} {year}, cited in {file}"
        for (author, year), file in cited().items()
        if not any(author in entry and year in entry for entry in listed)
    }
    assert missing == set()
    assert len(cited()) > 12  # a pattern that finds nothing would pass as well


def test_every_published_assumption_names_a_listed_source_or_a_definition() -> None:
    """A basis `published: …` is an author of the list, an act or body of it, or says that it is exact by definition."""
    listed = " ".join(references())
    by_definition = ("exact", "definition", "stoichiometry", "quantile", "grain per imperial gallon", "from memory")
    for assumption in built_in().records():
        if assumption.basis.startswith("published"):
            source = assumption.basis.removeprefix("published: ")
            known = re.split(r"[ ,]", source)[0] in listed
            assert known or any(word in source for word in by_definition), f"{assumption.name}: {assumption.basis}"


@pytest.mark.parametrize(
    "text", ["Nobody et al. 1999", "Nobody & Somebody 1999", "Nobody 1999, J. Nothing", "(Nobody 1999)"]
)
def test_a_citation_is_seen_however_it_is_written(text: str) -> None:
    assert citations(text) == {("Nobody", "1999")}


def test_a_date_is_no_citation() -> None:
    assert citations("Mon 1 June 2026, Tue; 31 May 2026: data") == set()
