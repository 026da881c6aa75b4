"""The command line: one group of commands, and every failure as one message."""

from __future__ import annotations

import gc
import logging
import os
import signal
import sys

import click

from siting import __version__
from siting.cli.desk import desk, sketch
from siting.cli.gather import gather
from siting.cli.parcels import batch, check, score
from siting.cli.protocol import protocol
from siting.cli.review import review
from siting.cli.streams import forgive_closed_streams
from siting.errors import SitingError, memory_error, out_of_memory


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="siting")
@click.option("--debug", is_flag=True, help="Show the full trace of an error.")
def siting(debug: bool) -> None:
    """Find, rank and explain good spots for a survey's motion-triggered still camera."""
    logging.basicConfig(
        level=logging.DEBUG if debug else logging.WARNING,
        format="%(levelname)s %(name)s: %(message)s",
        stream=sys.stderr,
    )
    # Lines of libraries help no user, and repeat what the one message of an error says.
    for noisy in ("rasterio", "numba", "fiona", "pyogrio", "matplotlib"):
        logging.getLogger(noisy).setLevel(logging.WARNING if debug else logging.ERROR)


for command in (score, batch, check, gather, sketch, desk, protocol, review):
    siting.add_command(command)


def main() -> None:
    """Entry point: every failure becomes one message and its exit code."""
    # The systems of equations here are small: further threads would wait more than they work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # The libraries make half a million lasting objects: searching them again and again for
    # garbage takes a tenth of a short run.
    gc.set_threshold(100_000, 50, 50)
    # Read before click does: faults in its own reading of the command line obey it, too.
    debug = "--debug" in sys.argv
    forgive_closed_streams()
    try:
        # On its own click would print and exit by itself; here every end passes the lines below.
        status = siting.main(prog_name="siting", standalone_mode=False)
    except SitingError as error:
        if debug:
            raise
        click.echo(_one_message(error), err=True)
        raise SystemExit(error.exit_status) from None
    except click.exceptions.Abort:
        raise _interrupted() from None
    except click.ClickException as error:
        error.show()
        raise SystemExit(error.exit_code) from None
    except KeyboardInterrupt:
        raise _interrupted() from None
    except Exception as error:
        if debug:
            raise
        if out_of_memory(error):
            click.echo(str(memory_error()), err=True)
            raise SystemExit(3) from None
        click.echo(
            f"E-INTERNAL: {type(error).__name__}: {error}. This is a fault of the program, not of "
            "your files. Run again with 'siting --debug ...' and report what it prints.",
            err=True,
        )
        raise SystemExit(1) from None
    raise SystemExit(status if isinstance(status, int) else 0)


def _interrupted() -> SystemExit:
    """The end of a run that was stopped; a second Ctrl-C no longer disturbs it."""
    # Python's own clean-up follows; a second Ctrl-C there would print a trace.
    for kind in (signal.SIGINT, signal.SIGTERM):
        signal.signal(kind, signal.SIG_IGN)
    click.echo("Interrupted; nothing half-written was left.", err=True)
    return SystemExit(130)


def _one_message(error: SitingError) -> str:
    """The message without control characters, which a terminal would obey."""
    from siting.lengths import NO_BREAK

    text = str(error).replace(NO_BREAK, " ")
    return "".join(c if c == "\n" or c.isprintable() else "\ufffd" for c in text)
