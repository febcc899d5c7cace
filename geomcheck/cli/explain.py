"""``geomcheck explain``: what a check asks, why, and what to do about a finding."""

from __future__ import annotations

import click

from geomcheck.errors import InputError


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
    if code not in found:
        raise InputError(f"there is no check {code!r}", remedy=f"known checks: {', '.join(found)}")
    click.echo(f"{code}: {found[code].TITLE}\n")
    click.echo(gate.explanations()[code])
