"""``fringewise workbench``: the whole job in the browser."""

from __future__ import annotations

from typing import Annotated

import typer

from fringewise.cli.shell import note, say


def workbench(
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 takes a free one.")] = 0,
    open_browser: Annotated[bool, typer.Option("--open/--no-open", help="Open the browser.")] = True,
) -> None:
    """Open the workbench in the browser, on this machine only.

    It listens on 127.0.0.1. The printed address holds a key of this run: whoever has it has the bench.
    """
    import threading
    import webbrowser

    from fringewise.wiring import read_settings
    from fringewise.workbench.bench import Bench
    from fringewise.workbench.door import Keys
    from fringewise.workbench.front import make_service
    from fringewise.workbench.serving import HOST, own_socket, serve

    settings = read_settings()
    taken = own_socket(port)
    held = int(taken.getsockname()[1])
    keys = Keys.of_port(held)
    address = f"http://{HOST}:{held}/?token={keys.token}"
    service = make_service(Bench(settings, _warm), keys)
    taken.listen()
    say(f"The workbench is at {address}")
    note("It answers on this machine only. Ctrl+C ends it; what was kept stays.")
    if open_browser:
        threading.Timer(0.05, webbrowser.open, [address]).start()
    serve(service, taken)


def _warm() -> None:
    """Load what measuring needs, once the first page is out."""
    from fringewise.cli.shell import start

    start()
    import fringewise.workbench.work  # noqa: F401 - loading it is the purpose
