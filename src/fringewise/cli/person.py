"""``fringewise person``: who may do what, and their keys."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fringewise.cli.desk import at_desk, passphrase
from fringewise.cli.shell import say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fringewise.workflow.keeping import Desk


def list_() -> None:
    """List everybody whom the archive knows: roles, scope, until when, and whether they have keys."""
    from fringewise.workflow.signing import people_of

    with at_desk() as office:
        today = office.desk.clock().date()
        for one in people_of(office.desk).values():
            until = f"until {one.valid_until}" if one.valid_until else "no end stated"
            ran_out = " (HAS RUN OUT)" if one.lapsed(today) else ""
            keys = "has keys" if one.public_key else "no keys"
            say(f"{one.identity:<16} {one.name:<24} {', '.join(sorted(one.roles))}; {until}{ran_out}; {keys}")
            if one.scope:
                say(f"{'':<16} scope: {one.scope}")


def add(
    identity: Annotated[str, typer.Argument(metavar="PERSON", help="Short name that entries carry.")],
    roles: Annotated[
        list[str] | None,
        typer.Option("--role", metavar="ROLE", help="technician, reviewer or administrator; several times."),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", metavar="NAME", help="Full name.")] = None,
    scope: Annotated[
        str | None, typer.Option("--scope", metavar="WORDS", help="What the authorisation covers.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="DATE", help="Last day of the authorisation.")
    ] = None,
    reason: Annotated[
        str, typer.Option("--reason", metavar="WORDS", help="Why, where the person is known already.")
    ] = "",
) -> None:
    """Write down a person, or a change to one; only an administrator may.

    What is not said anew stays as it was.
    """
    with at_desk() as office:
        more = {"name": name, "roles": roles or None, "scope": scope, "valid_until": until}
        _write(office.desk, identity, {key: value for key, value in more.items() if value}, reason)
        say(f"{identity} is on record.")


def new_key(
    identity: Annotated[str, typer.Argument(metavar="PERSON", help="As the archive knows them.")],
    key: Annotated[
        Path | None,
        typer.Option(
            "--key", metavar="FILE", help="File for the private keys; by default in the settings' folder."
        ),
    ] = None,
    reason: Annotated[
        str, typer.Option("--reason", metavar="WORDS", help="Why, where there are keys already.")
    ] = "",
) -> None:
    """Make a person's keys: the private ones into a file locked with a passphrase, the public on record.

    An Ed25519 key signs records; an ECDSA P-256 key with a certificate signs PDF reports. The passphrase is
    asked for, or taken from FRINGEWISE_PASSPHRASE. A lost file or passphrase can't be had again: make new
    keys, and old signatures stay good.
    """
    from fringewise.files.keys import new_key as make
    from fringewise.files.keys import write_key
    from fringewise.wiring import key_file

    with at_desk() as office:
        known = office.desk.archive.person(identity)
        path = key or key_file(identity)
        made = make(known.name if known else identity, office.desk.clock())
        write_key(made, path, passphrase(path, twice=True))
        try:
            public = {"public_key": made.public_key, "certificate": made.certificate_pem}
            _write(office.desk, identity, public, reason or ("first keys" if known else ""))
        except BaseException:
            path.unlink(missing_ok=True)  # keys that are not on record are of no use
            raise
        say(f"The private keys of {identity} are in {path}; the public ones are on record.")


def _write(desk: Desk, identity: str, changed: Mapping[str, Any], reason: str) -> None:
    """Write a person's next version: as it was, with what is changed."""
    from fringewise.core.errors import refuse
    from fringewise.workflow.keeping import add_person

    before = desk.archive.about("person", identity)
    stated: dict[str, Any] = {**(before[-1].body if before else {}), **changed}
    roles: Sequence[str] | None = stated.pop("roles", None)
    if not roles:
        raise refuse("--role", "", "must be given for a new person: technician, reviewer or administrator")
    add_person(desk, identity, stated.pop("name", identity), roles, reason=reason, **stated)


list_.__name__ = "list"

ALL: Final[tuple[Callable[..., Any], ...]] = (list_, add, new_key)
"""The commands below ``fringewise person``."""
