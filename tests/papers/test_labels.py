"""Labels: the id as text; a QR code that a real decoder reads, and only where an address is set."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import polars as pl
import pytest
import typst

from pipeline.papers.labels import label_data, labels, page_of_tank, qr_svg
from pipeline.problems import Problem
from pipeline.week import Week
from schemas import Tables

Make = Callable[..., Week]
ADDRESS = "https://tanks.example:8501/"


def _decoded(picture: bytes) -> set[str]:
    image = cv2.imdecode(np.frombuffer(picture, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
    assert image is not None
    _, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(image)
    return set(texts)


def test_labels_carry_id_tank_and_site_as_text(week: Week, pdf_pages: Callable[[bytes], list[str]]) -> None:
    pages = pdf_pages(labels(week))
    assert len(pages) == 1
    for said in ("T01", "Dining room tank", "Orchard Rise", "T03", "Quay School", "Do not switch off."):
        assert said in pages[0]
    assert "Quay" not in pdf_pages(labels(week, ["orchard"]))[0]


def test_without_an_address_there_is_no_code(week: Week) -> None:
    data = label_data(week)
    assert data["pictures"] == {}
    assert all(label["qr"] is None for label in data["labels"])


def test_the_codes_of_a_printed_sheet_are_read_by_a_decoder(make_week: Make) -> None:
    def edit(tables: Tables) -> None:
        tables["tank"] = tables["tank"].with_columns(tank=pl.col("tank") + " é/&?")

    week = make_week(edit, address=ADDRESS)
    data = label_data(week)
    grid = "".join(f'#image("{name}", width: 40mm)\n' for name in data["pictures"])
    files = {"main.typ": f"#set page(width: 60mm, height: auto)\n{grid}".encode()}
    files |= {name: svg.encode() for name, svg in data["pictures"].items()}
    picture = typst.compile(files, format="png", ppi=150)
    assert isinstance(picture, bytes)
    assert _decoded(picture) == {page_of_tank(ADDRESS, f"{tank} é/&?") for tank in ("T01", "T02", "T03")}
    assert page_of_tank(ADDRESS, "T 1/é") == "https://tanks.example:8501/one_tank?tank=T%201%2F%C3%A9"
    assert labels(week).startswith(b"%PDF")


def test_a_code_has_its_quiet_zone() -> None:
    assert 'd="M4 4.5h7' in qr_svg("x") or "M4 4" in qr_svg("x")


def test_more_labels_than_a_page_holds(make_week: Make, pdf_pages: Callable[[bytes], list[str]]) -> None:
    def edit(tables: Tables) -> None:
        many = [tables["tank"].with_columns(tank=pl.lit(f"X{n}-") + pl.col("tank")) for n in range(7)]
        tables["tank"] = pl.concat(many)

    assert len(pdf_pages(labels(make_week(edit)))) == 2


def test_nothing_to_label_and_unknown_sites_get_a_sentence(week: Week, make_week: Make) -> None:
    with pytest.raises(Problem, match="There is no site “mill”"):
        labels(week, ["mill"])
    with pytest.raises(Problem, match="no running tank"):
        labels(make_week(lambda tables: tables.update(tank=tables["tank"].clear())))
