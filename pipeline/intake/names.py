"""Tank names: an id, a name or a known alias; a name on two sites needs its site; a near miss is held."""

import datetime as dt
import re
from difflib import get_close_matches

import polars as pl

from pipeline.intake.grammar import Cell, held

# Letters that look alike in other alphabets and come in by copy and paste.
SEVERAL = "same name twice"
ALIKE = str.maketrans("АВЕКМНОРСТХаеорсхуіΑΒΕΖΗΙΚΜΝΟΡΤΥΧαοινρτυ", "ABEKMHOPCTXaeopcxyiABEZHIKMNOPTYXaoivptu")


def fold_name(name: str) -> str:
    """A name as compared: without case, spaces, underscores and look-alike letters."""
    return re.sub(r"[\s_\u00a0\u200b]+", "", name.translate(ALIKE)).casefold()


def aliases(tanks: pl.DataFrame) -> pl.DataFrame:
    """Every name a tank answers to, folded; an id beats a name, a name beats an alias."""
    rows: list[dict[str, str]] = []
    for tank, site, name, also in tanks.select("tank", "site", "name", "also_known_as").iter_rows():
        named = [(tank, "id"), (name, "name"), *((part, "alias") for part in (also or "").split("|"))]
        rows += [
            {"folded": fold_name(n), "site": site, "tank": tank, "via": via} for n, via in named if n and n.strip()
        ]
    frame = pl.DataFrame(rows, schema={"folded": pl.String, "site": pl.String, "tank": pl.String, "via": pl.String})
    return frame.unique(["folded", "tank"], keep="first", maintain_order=True).sort("folded", "site", "tank")


class Resolver:
    """Says which tank a name means. A name that was given again is of the tank that ran on the day."""

    def __init__(self, alias: pl.DataFrame, sites: pl.DataFrame, tanks: pl.DataFrame) -> None:
        self.by_name: dict[str, list[tuple[str, str, str]]] = {}
        for folded, site, tank, via in alias.iter_rows():
            self.by_name.setdefault(folded, []).append((site, tank, via))
        self.site_of = {
            fold_name(n): site for site, name in sites.select("site", "name").iter_rows() for n in (site, name) if n
        }
        self.site_names = dict(sites.select("site", "name").iter_rows())
        self.shown = {tank: name or tank for tank, name in tanks.select("tank", "name").iter_rows()}
        self.ran = {tank: (first, last) for tank, first, last in tanks.select("tank", "set_up", "closed").iter_rows()}

    def _ran_on(self, tank: str, day: dt.date) -> bool:
        first, last = self.ran[tank]
        return (first is None or first <= day) and (last is None or day <= last)

    def find(self, text: str, site_text: str, day: dt.date | None = None) -> Cell:
        """The tank that a name and the site typed beside it mean, as the word of a cell; none where it is held."""
        site = self.site_of.get(fold_name(site_text)) if site_text else None
        found = self.by_name.get(fold_name(text), [])
        if site_text and site is None:
            near = get_close_matches(fold_name(site_text), list(self.site_of), 1, 0.7)
            hint = f" Is it {self.site_names[self.site_of[near[0]]]}?" if near else ""
            return held("site not known", site_text, hint=hint)
        here = [entry for entry in found if site is None or entry[0] == site]
        # An id is unique over all sites; names and aliases only within one.
        exact = [entry for entry in here if entry[2] == "id"] or here
        if day is not None and len({tank for _, tank, _ in exact}) > 1:
            exact = [entry for entry in exact if self._ran_on(entry[1], day)] or exact
        if len({tank for _, tank, _ in exact}) == 1:
            _, tank, via = exact[0]
            if via == "alias":
                return Cell("converted", word=tank, fault=via, says=f"“{text}” is {self.shown[tank]} ({tank}).")
            if text.translate(ALIKE) != text and text not in (tank, self.shown[tank]):
                says = f"“{text}” has letters of another alphabet; read as {self.shown[tank]} ({tank})."
                return Cell("converted", word=tank, fault="look-alike letters", says=says)
            return Cell(word=tank)
        if exact:
            places = " and ".join(sorted({self.site_names.get(s, s) or s for s, _, _ in exact}))
            return held(SEVERAL, text, places=places)
        if found and site is not None:
            return held(
                "tank at another site", text, where=self.site_names.get(found[0][0], found[0][0]), site=site_text
            )
        here_or_any = [n for n, e in self.by_name.items() if site is None or any(x[0] == site for x in e)]
        near = get_close_matches(fold_name(text), here_or_any, 1, 0.6)
        suggestion = self.by_name[near[0]][0][1] if near else ""
        hint = f" Is it {self.shown[suggestion]} ({suggestion})?" if suggestion else ""
        return held("tank not known", text, suggestion, hint=hint)
