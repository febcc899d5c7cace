"""What every page is made of: the template, the colours of its style, pictures inside it."""

from __future__ import annotations

import base64
from typing import Any

from geomcheck.finding import SEVERITY
from geomcheck.reports import cards, palette, words


def render(template: str, **fields: Any) -> str:
    """Fill in a template; all text is escaped, and a name the template lacks is an error.

    Parameters
    ----------
    template : str
        File name in ``templates``.
    fields
        What it shows, beside the colours.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("geomcheck.reports", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["units"] = words.format_text
    text = environment.get_template(template).render(
        colours={
            cards.style_of(verdict): palette.hex_colour(palette.VERDICTS[verdict])
            for verdict in SEVERITY
        },
        ink=palette.hex_colour(palette.INK),
        faint=palette.hex_colour(palette.FAINT_INK),
        **fields,
    )
    # Blanks at the ends of lines stand for the template's order only: a fifth of a page's words.
    return "".join(f"{line}\n" for line in map(str.strip, text.split("\n")) if line)


def data_address(content: bytes, kind: str) -> str:
    """A picture of a media type as an address that holds it."""
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
