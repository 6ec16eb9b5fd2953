"""`densitycam serve`: the page for phones, on this computer alone or on the home network."""

from __future__ import annotations

import io
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

import click

from densitycam.cli.options import journal_option

#: Above 1023, and not the usual port of anything that we know of. Our own choice.
_PORT = 8372

#: What the code in the terminal is drawn with.
_BLOCKS = "█▀▄"


@click.command("serve", short_help="Open the page: snap with the phone in your hand.")
@click.option("--lan", is_flag=True, help="Let phones on the home network in, by a secret address.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=_PORT,
    show_default=True,
    metavar="N",
    help="Where to listen; 0 takes any port that is free.",
)
@click.option(
    "--new-secret",
    is_flag=True,
    help="Make a new secret first: every phone is shut out until it scans the new code.",
)
@journal_option
@click.pass_context
def command(ctx: click.Context, lan: bool, port: int, new_secret: bool) -> None:
    """Open the page in the browser: snap, split, log, count and look, until Ctrl-C.

    Without --lan it is for this computer alone. With --lan it shows a code that a phone on the
    same network scans, once: the phone then stays let in. Photos are kept as they came, in the
    folder photos beside the journal. The command line can be used meanwhile.

    \b
    densitycam serve
    densitycam serve --lan
    densitycam serve --lan --new-secret
    """  # noqa: D301
    from densitycam.errors import DensitycamError
    from densitycam.journal.place import journal_path
    from densitycam.journal.store import Journal
    from densitycam.web.app import create_app
    from densitycam.web.keys import keys_path, page_keys
    from densitycam.web.originals import drop_halves, photos_folder
    from densitycam.web.place import Place
    from densitycam.web.reader import Reader
    from densitycam.web.server import lan_addresses, listen, own_names, port_of

    journal = journal_path(ctx.find_root().obj).resolve()
    Journal(journal).close()  # what is wrong with it is said now, not to the first phone
    addresses = lan_addresses() if lan else ()
    if lan and not addresses:
        raise DensitycamError(
            "This computer has no address on a home network.",
            "Connect it to the network that the phone is on, or leave --lan out.",
        )
    keys = page_keys(keys_path(journal), new=new_secret)
    place = Place(
        journal_path=journal,
        photos_folder=photos_folder(journal),
        signing_key=keys.signing_key,
        secret=keys.secret if lan else None,
        hosts=("127.0.0.1", "localhost", *addresses, *(own_names() if lan else ())),
        reader=Reader(),
    )
    drop_halves(place.photos_folder)
    server = listen(create_app(place), place, ("127.0.0.1", *addresses), port)
    _greet(place.photos_folder, keys.secret, addresses, port_of(server))
    signal.signal(signal.SIGTERM, _end)
    # A shell that starts it in the background has it ignore Ctrl-C; it ends by either.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        server.run()  # until Ctrl-C or SIGTERM
    finally:
        place.reader.close()
        server.close()
    click.echo("Ended.")


def _end(_signal: int, _frame: object) -> NoReturn:
    raise SystemExit(0)


def _greet(photos: Path, secret: str, addresses: Sequence[str], port: int) -> None:
    """Say where the page is, to whom it is open, and how it ends.

    Parameters
    ----------
    photos : Path
        Where originals are kept.
    secret : str
        Lets a phone in.
    addresses : sequence of str
        On the home network; none where the page is for this computer alone.
    port : int
        Where it listens.
    """
    if not addresses:
        click.echo(
            f"The page is at http://127.0.0.1:{port} for this computer alone.\n"
            "To use it from a phone on your home network: densitycam serve --lan"
        )
    else:
        first, *others = [f"http://{address}:{port}/enter/{secret}" for address in addresses]
        click.echo("The page is open to phones on this computer's network. Scan with the phone:\n")
        for line in code_lines(first):
            click.echo(f"  {click.style(line, fg='bright_white', bg='black')}")
        click.echo(f"\nor type this address in its browser:\n{first}")
        if others:
            click.echo("\nIf that is not found, on another network of this computer:")
            click.echo("\n".join(others))
        click.echo(
            "\nWhoever has this address can read and change the journal. It stays the same\n"
            "from day to day; --new-secret makes another and shuts out every phone. What is\n"
            "sent is not encrypted (http): use it on a home network whose users you trust."
        )
    click.echo(f"Photos are kept in {photos}.\nEnd with Ctrl-C.")


def code_lines(address: str) -> list[str]:
    """Return an address as a QR code (ISO/IEC 18004), light modules drawn, a line each two rows.

    Parameters
    ----------
    address : str
        What the phone opens.

    Returns
    -------
    list of str
        At most 45 characters wide for an address of 100; none where the terminal has no blocks.
    """
    import segno

    try:
        _BLOCKS.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return []
    drawn = io.StringIO()
    segno.make_qr(address, error="l", boost_error=False).terminal(drawn, border=2, compact=True)
    return drawn.getvalue().rstrip("\n").split("\n")
