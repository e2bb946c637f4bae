"""Charts for papers: altair to SVG without a browser, with an accessible name, in the papers' own type."""

import datetime as dt
import html

import altair as alt
import vl_convert as vlc

from pipeline.papers.layout import FONT

INK, INK2, EARLIER, RULE = "#1C2733", "#51606B", "#8A959C", "#A9B1B3"


@alt.theme.register("paper", enable=False)
def _theme() -> alt.theme.ThemeConfig:
    return alt.theme.ThemeConfig(
        {
            "config": {
                "font": FONT,
                "background": "transparent",
                "padding": 0,
                "view": {"stroke": None},
                "axis": {"domainColor": RULE, "tickColor": RULE, "labelColor": INK2, "titleColor": INK2, "grid": False},
            }
        }
    )


def to_svg(picture: alt.Chart | alt.LayerChart | alt.FacetChart, name: str) -> str:
    """The chart as SVG; `name` is its accessible name, which vl-convert would drop."""
    with alt.theme.enable("paper"), alt.data_transformers.enable("default", max_rows=None):
        # Not to_json: a NaN would make that invalid. Checking a fixed shape each time costs as much as drawing it.
        spec = picture.to_dict(validate=False)
    svg = str(vlc.vegalite_to_svg(spec))
    label = html.escape(name, quote=True)
    return svg.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


def for_screen(svg: str) -> str:
    """The same SVG for a page, where the papers' type may not be there."""
    return svg.replace(f'font-family="{FONT}"', f'font-family="{FONT}, Georgia, serif"')


def month_starts(first: dt.date, last: dt.date) -> list[dt.date]:
    """The first of each month within a span of days."""
    months = range(first.year * 12 + first.month - 1, last.year * 12 + last.month)
    starts = (dt.date(m // 12, m % 12 + 1, 1) for m in months)
    return [day for day in starts if first <= day <= last]


def noon(day: dt.date) -> str:
    """A day as charts are given it: local, without a zone, so that no reader's zone moves it."""
    return f"{day.isoformat()}T12:00:00"
