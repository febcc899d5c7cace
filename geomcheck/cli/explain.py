"""``geomcheck explain``: what a check asks, why, and what to do about a finding."""

from __future__ import annotations

from importlib import import_module

import click

from geomcheck.errors import InputError

#: What findings beside the checks' own are about.
_SETTLED = {"waiver": "geomcheck.release.waivers", "baseline": "geomcheck.release.baseline"}


@click.command()
@click.argument("code", required=False)
def explain(code: str | None) -> None:
    """Tell what a check asks, why, and what to do about a finding; without CODE, list them."""
    from geomcheck import gate

    found = gate.discover()
    if code is None:
        width = max(len(name) for name in found)
        for name, module in found.items():
            click.echo(f"{name:<{width}}  {module.TITLE}")
        return
    if code in _SETTLED:
        click.echo(f"{code}: {(import_module(_SETTLED[code]).__doc__ or '').strip()}")
        return
    if code not in found:
        raise InputError(f"there is no check {code!r}", remedy=f"known checks: {', '.join(found)}")
    click.echo(f"{code}: {found[code].TITLE}\n")
    click.echo(gate.explanations()[code])
