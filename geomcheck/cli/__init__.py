"""The command line: arguments, progress, reports, exit code.

One file a command. Imports are inside the commands: ``geomcheck --help`` must not pay for meshes
and compilers.
"""

from __future__ import annotations

import os
import sys

import click

from geomcheck.cli.accept import accept, prune
from geomcheck.cli.check import check
from geomcheck.cli.codes import EXIT_CODES
from geomcheck.cli.compare import compare
from geomcheck.cli.ending import Ended, finish, prepare, told
from geomcheck.cli.explain import explain
from geomcheck.cli.look import look
from geomcheck.cli.new import new
from geomcheck.cli.prove import prove
from geomcheck.cli.steps import steps
from geomcheck.cli.verify import verify
from geomcheck.cli.waive import waive
from geomcheck.errors import GeomcheckError
from geomcheck.version import __version__


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, epilog=EXIT_CODES)
@click.version_option(__version__, prog_name="geomcheck")
def cli() -> None:
    """Check a casting against every vehicle it must fit, from the STL files.

    Does it fit (gaps and overlaps), does it breathe (duct areas), can it be put on (tool
    access): answered in numbers before anything is printed or tooled.
    """


for _command in (check, explain, look, new, compare, accept, prune, waive, steps, prove, verify):
    cli.add_command(_command)


def main() -> None:
    """Entry point; turns every error into one message and an exit code."""
    prepare()
    ours = sys.stdout
    code = _run()
    # The reader of our output may go away, as 'head' does. Click then takes the stream away and
    # ends with 1, which here would say that a part failed.
    sys.exit(finish(code) if sys.stdout is ours else 2)


def _run() -> int:
    """Run the command; its exit code, after a message where there was an error."""
    try:
        cli.main(standalone_mode=False)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0 if end.code is None else 2
    except click.ClickException as error:
        error.show()
        return 2
    except Ended as ended:
        click.echo("geomcheck: stopped", err=True)
        return ended.code
    except (click.Abort, KeyboardInterrupt):
        click.echo("geomcheck: stopped", err=True)
        return 130
    except GeomcheckError as error:
        click.echo(f"geomcheck: {error.text}", err=True)
    except OSError as error:
        click.echo(f"geomcheck: {told(error)}", err=True)
    except MemoryError:
        click.echo("geomcheck: out of memory; check fewer vehicles at once", err=True)
    except Exception as error:
        if os.environ.get("GEOMCHECK_TRACEBACK"):
            raise
        click.echo(
            f"geomcheck: internal fault: {type(error).__name__}: {error}. This is a defect of "
            "geomcheck, not of your parts; set GEOMCHECK_TRACEBACK=1 to see where.",
            err=True,
        )
    else:
        return 0
    return 2
