"""One self-contained HTML page from a template: nothing fetched, nothing run but our own, every text escaped."""

import hashlib
from base64 import b64encode
from functools import lru_cache
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from pipeline.papers.layout import TEMPLATES
from pipeline.wording import cause_words, sentence


@lru_cache(maxsize=1)
def _templates() -> Environment:
    found = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters |= {"sentence": sentence, "cause_words": cause_words}
    return found


def filled(template: str, script: str = "", **data: Any) -> str:
    """A page of a template with its data. Its policy forbids it to load or run anything but `script`."""
    mark = b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return _templates().get_template(template).render(**data, script=Markup(script), script_hash=mark)


def page(title: str, body: str, script: str = "") -> str:
    """The whole page of a body that is HTML already."""
    return filled("page.html", script, title=title, body=Markup(body))
