"""``fringewise submit``, ``sign``, ``doubt``, ``read-again``: from done work to a sealed record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fringewise.cli.desk import at_desk, passphrase
from fringewise.cli.shell import Status, leave, progress, say, start

if TYPE_CHECKING:
    from fringewise.workflow.signing import Review

_MOST_UNSEEN: Final = 10

Name = Annotated[str, typer.Argument(metavar="INSPECTION", help="Its name.")]
Incomplete = Annotated[bool, typer.Option("--incomplete", help="Although looks are missing.")]
Statement = Annotated[str, typer.Option("--statement", metavar="WORDS", help="What is said with it.")]
KeyFile = Annotated[
    Path | None,
    typer.Option("--key", metavar="FILE", help="File of the private keys; the usual one else."),
]


def submit(inspection: Name, incomplete: Incomplete = False, statement: Statement = "") -> None:
    """Submit an inspection as it stands for review; its limits book is asked first where that is due."""
    from fringewise.workflow.signing import review_of
    from fringewise.workflow.signing import submit as hand_in

    with at_desk() as office:
        hand_in(office.desk, inspection, incomplete=incomplete, statement=statement)
        about = office.desk.inspection(inspection)
        _say_review(review_of(office.desk, about))
        outcome = about.outcome.replace("_", " ") or "not asked of a limits book"
        say(f"Inspection {inspection} is submitted; outcome: {outcome}.")


def sign(
    inspection: Name,
    incomplete: Incomplete = False,
    statement: Statement = "",
    key: KeyFile = None,
    look: Annotated[
        bool, typer.Option("--look", help="Show what would be signed, and sign nothing.")
    ] = False,
) -> None:
    """Sign a submitted inspection as its reviewer; it is sealed from then on.

    What was not seen, readings that disagree, authorisations that ran out and outcomes that don't stand yet
    are shown first. The signature (Ed25519) covers the record's hash.
    """
    from fringewise.files.keys import read_key
    from fringewise.wiring import key_file
    from fringewise.workflow.signing import review_of
    from fringewise.workflow.signing import sign as put_signature

    with at_desk() as office:
        about = office.desk.inspection(inspection)
        _say_review(review_of(office.desk, about))
        if look:
            return
        path = key or key_file(office.desk.author)
        signer = read_key(path, passphrase(path))
        entry = put_signature(office.desk, about, signer, incomplete=incomplete, statement=statement)
        person = office.desk.archive.person(office.desk.author)
        scope = f", scope: {person.scope}" if person and person.scope else ""
        name = person.name if person else office.desk.author
        say(f"Signed by {name}{scope}, {entry.at:%Y-%m-%d %H:%M} UTC.")
        say("The time is the signer's word. The inspection is sealed; a doubt can still be put beside it.")


def doubt(
    inspection: Name,
    words: Annotated[str, typer.Argument(metavar="WORDS", help="What is in doubt, and why.")],
) -> None:
    """Put a doubt beside an inspection, signed or not; it is shown with it from then on."""
    from fringewise.workflow.signing import add_doubt

    with at_desk() as office:
        add_doubt(office.desk, inspection, words)
        say(f"The doubt stands beside inspection {inspection}; nothing in it was changed.")


def read_again(
    inspection: Name,
    capture: Annotated[str, typer.Argument(metavar="CAPTURE", help="Its hash or name.")],
    findings: Annotated[
        Path, typer.Option("--findings", metavar="FILE", help="What was marked anew (JSON).")
    ],
    not_blind: Annotated[
        bool, typer.Option("--not-blind", help="The reader has seen the first reading.")
    ] = False,
) -> None:
    """Take a second reading of a capture by another person; what disagrees with the first is shown.

    The exit status is 1 when the readings disagree.
    """
    settings = start()
    from fringewise.files import read_findings
    from fringewise.workflow.signing import read_again as take_reading

    marked = read_findings(findings)
    with at_desk(settings) as office, progress() as shown:
        about = office.desk.inspection(inspection)
        _, found = take_reading(office.desk, about, capture, marked, blind=not not_blind, progress=shown)
    for one in found:
        say(f"Disagree: {one.words}")
    say("The readings agree." if not found else f"{len(found)} disagreements are shown with the inspection.")
    leave(Status.ANSWER_IS_BAD if found else Status.ANSWERED)


def sign_report(
    pdf: Annotated[Path, typer.Argument(metavar="PDF", help="The report.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Signed file to write.")],
    reason: Annotated[str, typer.Option("--reason", metavar="WORDS", help="Stated in the signature.")] = "",
    key: KeyFile = None,
) -> None:
    """Sign a report's PDF with your certificate (PAdES B-B, ECDSA P-256).

    Without a time stamp from elsewhere the time is your word. Whoever checks it has to know your certificate:
    the archive's people are the list of who is trusted.
    """
    from fringewise.disk import bytes_of, write_bytes
    from fringewise.files.keys import read_key
    from fringewise.render.pdf_signature import SIGNERS_WORD
    from fringewise.render.pdf_signature import sign_report as sign_pdf
    from fringewise.wiring import key_file, read_settings

    settings = read_settings()
    content = bytes_of(pdf, 1 << 30)
    path = key or key_file(settings.person)
    made = sign_pdf(content, read_key(path, passphrase(path)), name=settings.person, reason=reason)
    write_bytes(out, made)
    say(f"{out} is signed. {SIGNERS_WORD}")


def check_report(
    pdf: Annotated[Path, typer.Argument(metavar="PDF", help="A signed report.")],
) -> None:
    """Check the signature in a report's PDF against the archive's people.

    The exit status is 1 when it is not whole, unchanged and signed by one of them.
    """
    from fringewise.disk import bytes_of
    from fringewise.render.pdf_signature import SIGNERS_WORD
    from fringewise.render.pdf_signature import check_report as check_pdf

    content = bytes_of(pdf, 1 << 30)
    with at_desk() as office:
        trusted: dict[str, list[str]] = {}
        for entry in office.desk.archive.about("person"):
            if entry.body.get("certificate"):
                trusted.setdefault(entry.subject, []).append(str(entry.body["certificate"]))
        found = check_pdf(content, trusted)
    if not found.signed:
        say("There is no signature in it.")
        leave(Status.ANSWER_IS_BAD)
    say("Unchanged since it was signed." if found.intact else "It was CHANGED after it was signed.")
    if not found.whole:
        say("Something was added after the signature.")
    known = f"{found.signer}, known to this archive" if found.signer else "nobody whom this archive knows"
    say(f"Signed by {known} (the certificate says: {found.stated_name}), {found.stated_at}.")
    say(SIGNERS_WORD)
    leave(Status.ANSWERED if found.good else Status.ANSWER_IS_BAD)


def _say_review(review: Review) -> None:
    for one in review.unseen[:_MOST_UNSEEN]:
        say(f"Not seen: {one}")
    if len(review.unseen) > _MOST_UNSEEN:
        say(
            f"Not seen: {len(review.unseen) - _MOST_UNSEEN} more; fringewise inspection show --all lists them"
        )
    for one in review.said:
        say(f"Note: {one}")
    say(f"Record: {review.record_sha256}")
