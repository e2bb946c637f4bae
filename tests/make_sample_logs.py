"""Write the invented demo round: `python -m tests.make_sample_logs OUT` gives the committed sample_logs/ byte for byte.

24 tanks on 7 sites, 40 weeks to Mon 1 June 2026, from a daily mass balance (tests/demo_round/). Nothing in it is real.

| tank | shows |
|---|---|
| LM1 Garden lounge | comfortable full cycle |
| LM2 Supper room | over its full-cycle rating and climbing since new fish: below its ceiling, the plateau above it |
| LM3 East landing | small changes, much food, flat nitrate, KH holding: the KH witness speaks for removal |
| LM4 Snug | a nitrite blip a week after all media was washed under the tap |
| LM5 Passage | carbon overdue |
| TC1 Conservatory | over its rating but steady: dense plants, light feed |
| TC2 South bay | within its rating but climbing: overfed since mid-April, the step alarm |
| TC3 Reading nook, TC4 Upper lounge | filter P08 moved from the one to the other in January |
| SS1 Owls class | comfortable to within, steady; a kit that reads as nitrogen |
| SS2 Science bench | within its rating but climbing: its media is 9 weeks old |
| SS3 Front entrance | flat only because of 45 % changes; over its rating |
| SS4 Nursery | a new tank, under 8 weeks |
| HS1 Waiting area | the old-tank trap: topped up, never changed; KH gone, pH under 6.2, nitrate high |
| HS2 Toy corner | steady with plants; medication in January |
| HS3 Nurses' lobby | filter check late |
| SL1 Main desk | tap nitrate near the ceiling |
| SL2 Local history | the same tap, cut with RO |
| QO1 Goldfish tank | goldfish, a trickle tower, half cycle by choice (noted) |
| QO2 Drawing office | a KH cell held last Friday |
| QO3 Tea point | steady, net volume not measured |
| MD1 Big hall | read with a kit that expired in April; a promise late |
| MD2 Craft room | a second-hand filter just set up |
| MD3 Therapy room | silent since 14 April |

Sprocketfern is fortnightly. `visits/2026-03-24-evening-sheet.csv` is a page of typing slips: a range eaten by a
spreadsheet, decimal commas quoted and not, unmarked and marked °F, `<4`, `>112`, a range in words, a misspelt tank,
missing points, the letter O, a bare gallon, `ok`, `n/t`, a formula and HTML in notes, a row typed twice.
`visits/2026-01-inkpebble.csv` is in another country's habits, `visits/2026-04-hardness.csv` is long, one sheet was
sent again, and one correction applies.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.demo_round.files import sheets


def write(target: Path) -> list[Path]:
    """Write every file under `target`; returns the paths."""
    paths = []
    for name, content in sheets().items():
        path = target / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        paths.append(path)
    return paths


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m tests.make_sample_logs OUT")
    print(f"{len(write(Path(sys.argv[1])))} files written to {sys.argv[1]}")
