"""One self-contained HTML page: its own type and colours, nothing fetched, nothing run, every text escaped."""

import hashlib
from base64 import b64encode
from collections.abc import Iterable
from html import escape

STYLE = """
:root { --ink: #1C2733; --ink2: #51606B; --hand: #B24A00; --hair: #D5DAD8; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 24px 16px 48px; max-width: 44rem; background: #FAFBFA; color: var(--ink);
  font: 17px/1.45 "Libertinus Serif", "Source Serif 4", Georgia, serif;
  font-variant-numeric: lining-nums tabular-nums; }
h1 { font-size: 25px; line-height: 1.2; margin: 0; } h2 { font-size: 17px; margin: 1.4em 0 .3em; }
h3 { font-size: 17px; font-weight: 400; margin: 1em 0 .2em; }
p, li, td, th, figcaption { text-wrap: pretty; } p { margin: .6em 0; }
ul, ol { margin: 0; padding-left: 1.3em; } ul { list-style: "–  "; padding-left: 1.1em; }
.small, figcaption, footer { font-size: 14px; color: var(--ink2); } .cost, .muted { color: var(--ink2); }
.top { display: flex; flex-wrap: wrap; justify-content: space-between; align-items: baseline; gap: 0 16px; }
hr { border: 0; border-top: 1px solid var(--ink); margin: 12px 0 20px; }
.state { font-size: 30px; margin: .2em 0; } .strong { font-weight: 600; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 0 32px; }
.hand { border-left: 3px solid var(--hand); padding: 2px 0 2px 12px; margin: 1.2em 0; }
figure { margin: 1em 0; } svg { display: block; width: 100%; max-width: 36rem; height: auto; }
.sheet + .sheet { margin-top: 56px; }
.choice { white-space: nowrap; font-size: 14px; color: var(--ink2); }
.sign { display: grid; grid-template-columns: 5fr 5fr 3fr; gap: 32px; margin: 3.2em 0 1.6em; }
.sign span { border-top: 1px solid var(--ink); font-size: 14px; color: var(--ink2); padding-top: 3px; }
.wide { overflow-x: auto; } table { border-collapse: collapse; width: 100%; font-size: 15px; }
th { text-align: left; font-weight: 400; color: var(--ink2); vertical-align: bottom; }
th, td { padding: 4px 12px 4px 0; vertical-align: top; } .rows tr { border-bottom: 1px solid var(--hair); }
.visits td { white-space: nowrap; } .visits td:last-child { white-space: normal; min-width: 14em; }
.box { display: inline-block; width: .8em; height: .8em; border: 1px solid var(--ink); margin: 0 .35em 0 .8em; }
footer { margin-top: 2em; }
details { border-top: 1px solid var(--hair); } summary { padding: 10px 0; cursor: pointer; min-height: 44px; }
@media (max-width: 600px) { .pair { grid-template-columns: 1fr; } .sign { gap: 14px; } }
@media print {
  body { background: white; font-size: 10.5pt; line-height: 1.35; max-width: none; padding: 0; }
  h1 { font-size: 16pt; } h2, h3 { font-size: 10.5pt; margin: .9em 0 .2em; }
  p { margin: .4em 0; } hr { margin: 6px 0 12px; }
  .state { font-size: 19pt; } .small, figcaption, footer, .sign span, .choice { font-size: 9pt; }
  table { font-size: 9.5pt; } th, td { padding: 2px 10px 2px 0; }
  figure { margin: .5em 0; } .hand { margin: .8em 0; } .sign { margin: 2.2em 0 1em; }
  .sheet { break-after: page; } .sheet:last-of-type { break-after: auto; } .sheet + .sheet { margin-top: 0; }
  figure, .hand, .sign { break-inside: avoid; } }
@page { size: A4; margin: 16mm 20mm; }
"""


def items(lines: Iterable[str], tag: str = "ul") -> str:
    """A list of texts."""
    return f"<{tag}>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</{tag}>"


def table(head: Iterable[str], rows: Iterable[Iterable[str]], kind: str = "rows") -> str:
    """A table of texts with a header row; it scrolls sideways by itself where it is too wide."""
    top = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    inner = f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody>"
    return f'<div class="wide" tabindex="0"><table class="{kind}">{inner}</table></div>'


def page(title: str, body: str, script: str = "") -> str:
    """The whole page. Its policy forbids it to load or run anything but `script`, whatever text it holds."""
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    if script:
        policy += f"; script-src 'sha256-{b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
        body += f"\n<script>{script}</script>"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<meta name="robots" content="noindex">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )
