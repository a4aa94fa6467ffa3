"""The command that opens the page of knobs."""

from __future__ import annotations

import signal
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from percsim.cli.shared import (
    BAD_INPUT,
    Debug,
    Json,
    Quiet,
    command,
    leave,
    results_of,
    say,
    say_json,
    valued,
)

__all__ = ["explore"]


@command("percsim explore out/patch", "percsim explore patch.toml --no-browser")
def explore(
    what: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER", help="Results folder of a run, or a plan, which is run first."
        ),
    ],
    out: Annotated[
        str | None,
        valued("FOLDER", "Of a plan: its results folder; default out/ and its name."),
    ] = None,
    beside: Annotated[
        Path | None, valued("FOLDER", "A second results folder, shown beside the first.")
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address and open nothing.")
    ] = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Turn the knobs of a finished run in the browser and see the decision follow.

    The page is served to this machine alone, until Ctrl-C.
    """
    try:
        import bokeh  # type: ignore[import-untyped,import-not-found,unused-ignore]  # noqa: F401
        import tornado  # noqa: F401
    except ImportError:
        leave(BAD_INPUT, "the page needs more: pip install 'percsim[explore]'")
    from percsim.boxes.store import Store
    from percsim.live.address import claimed

    run: tuple[str, ...] = ()
    folder = what
    if what.is_file():
        from percsim.advice import stored_films
        from percsim.plan import Plan

        plan = Plan.load(what)
        folder = results_of(out, what)
        if stored_films(plan, folder) is None:
            run = (str(what), "--out", str(folder))
    elif out is not None:
        leave(BAD_INPUT, f"--out goes with a plan; {what} is none")
    elif not what.exists():
        leave(BAD_INPUT, f"{what}: there is no such folder or plan")
    for kept in (None if run else folder, beside):
        if kept is not None:  # what is none is refused before a browser opens
            Store.read(kept).close()
    with suppress(KeyboardInterrupt), claimed(folder) as address:
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # until the server has it
        say_json({"address": address.url}) if as_json else say(address.url)
        if not no_browser:
            import webbrowser

            webbrowser.open(address.url)

        import asyncio  # not before it is wanted: every command is loaded with this one

        # loaded while the browser starts
        from percsim.live.server import Hub, serve

        hub = Hub(folder, run, beside, address.saves)
        with suppress(asyncio.CancelledError):
            asyncio.run(serve(hub, address))
