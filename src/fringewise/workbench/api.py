"""The API: what the pages ask for. The same for programs: it is described at ``/api/openapi.json``."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Form, Path, Query, Request, UploadFile
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict, Field

from fringewise import __version__
from fringewise.workbench.bench import Bench

ROUTER: Final = APIRouter(prefix="/api")

_Json = dict[str, Any]
Sha256 = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]
Identity = Annotated[str, Path(min_length=1, max_length=200)]
_BINARY: Final = "application/octet-stream"
_LASTING: Final = {"cache-control": "private, max-age=86400, immutable"}  # a capture is known by its content


class Asked(BaseModel):
    """A request's body: nothing in it that isn't known."""

    model_config = ConfigDict(extra="forbid", strict=True)


Name = Annotated[str, Field(min_length=1, max_length=200)]
Words = Annotated[str, Field(max_length=10_000)]


class NewInspection(Asked):
    """A work card (format 11), as its values or as TOML text; a limits book's text that applies."""

    card: _Json | None = None
    card_text: Annotated[str, Field(max_length=1 << 20)] | None = None
    limits_text: Annotated[str, Field(max_length=4 << 20)] | None = None
    identity: Name | None = None


class LookSaid(Asked):
    """How a look stands, and which version of it was seen."""

    stage: Name
    item: Name
    look: Name
    state: Literal["to do", "done, nothing found", "findings", "could not be seen"]
    reason: Words = ""
    version: Annotated[int, Field(ge=0)]


class LooksSaid(Asked):
    """How several looks stand: written down all together or not at all."""

    looks: Annotated[list[LookSaid], Field(min_length=1, max_length=1000)]


class Moved(Asked):
    """A finding whose mark is being moved, and the doubt of its main size when it last lay still."""

    finding: _Json
    expanded_uncertainty: Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)] | None = None


class ToMeasure(Asked):
    """A finding to be measured, and in which inspection, so that its limits book can be asked."""

    finding: _Json
    inspection: Name | None = None


class HandedIn(Asked):
    """A submission of the record as it was looked at."""

    record_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    incomplete: bool = False
    statement: Words = ""


class ToSign(HandedIn):
    """A signature, with what opens the reviewer's key."""

    passphrase: Annotated[str, Field(max_length=1000)]


class Marked(Asked):
    """What was marked on a capture (format 3), and which version of the marks was seen."""

    findings: Annotated[list[_Json], Field(max_length=200)]
    version: Annotated[int, Field(ge=0)]
    reason: Words = ""


@ROUTER.get("/bench")
def get_bench(request: Request) -> _Json:
    """Who works here, with which program, and whether there is an archive."""
    bench = _bench(request)
    return {
        "program": f"fringewise {__version__}",
        "unit": bench.settings.unit,
        "person": bench.settings.person,
        "has_archive": bench.has_archive,
    }


@ROUTER.get("/kinds")
def get_kinds() -> list[_Json]:
    """Every kind of finding, its marks and its quantities."""
    from fringewise.workbench import answers  # noqa: PLC0415 - what measures is loaded after the first page

    return answers.kinds()


@ROUTER.post("/demo")
def start_demo(request: Request) -> _Json:
    """Begin to make the demo inspection; asked again it says how far that is."""
    bench = _bench(request)
    return bench.demo.start(bench.made())


@ROUTER.get("/demo")
def get_demo(request: Request) -> _Json:
    """How far the demo inspection is."""
    return _bench(request).demo.told()


@ROUTER.get("/inspections")
def list_inspections(
    request: Request,
    after: Annotated[int, Query(ge=0, le=10_000_000)] = 0,
    most: Annotated[int, Query(ge=1, le=500)] = 200,
) -> list[_Json]:
    """Inspections, the last changed first."""
    bench = _bench(request)
    if not bench.has_archive:
        return []
    from fringewise.archive.archive import Page  # noqa: PLC0415 - as above

    return [asdict(one) for one in bench.archive().inspections(Page(most, after))]


@ROUTER.post("/inspections", status_code=201)
def begin(request: Request, new: NewInspection) -> _Json:
    """Begin an inspection from a work card."""
    from fringewise.workbench import work  # noqa: PLC0415 - as above

    return work.begin(_bench(request), new.model_dump())


@ROUTER.get("/inspections/{identity}")
def get_inspection(request: Request, identity: Identity) -> _Json:
    """An inspection as it stands."""
    from fringewise.workbench import answers  # noqa: PLC0415 - as above

    return answers.inspection(_bench(request).desk().inspection(identity))


@ROUTER.post("/inspections/{identity}/looks")
def say_looks(request: Request, identity: Identity, said: LooksSaid) -> _Json:
    """Say how looks stand; refused where somebody said something since."""
    from fringewise.workbench import work  # noqa: PLC0415 - as above

    return work.say_looks(_bench(request), identity, [one.model_dump() for one in said.looks])


@ROUTER.post("/inspections/{identity}/files")
def take_files(
    request: Request,
    identity: Identity,
    stage: Annotated[str, Form(max_length=200)],
    item: Annotated[str, Form(max_length=200)],
    look: Annotated[str, Form(max_length=200)],
    files: list[UploadFile],
) -> _Json:
    """Take in captures, photos or videos at a look; files of a folder carry their path in their name."""
    from fringewise.workbench import taking  # noqa: PLC0415 - as above

    return taking.take_files(_bench(request), identity, (stage, item, look), files)


@ROUTER.get("/captures/{sha256}")
def get_capture(request: Request, sha256: Sha256) -> _Json:
    """What a person should know of a capture before measuring on it."""
    from fringewise.workbench import work  # noqa: PLC0415 - as above

    return work.capture(_bench(request), sha256)


@ROUTER.get("/captures/{sha256}/photo", response_class=Response)
def get_photo(request: Request, sha256: Sha256) -> Response:
    """Give the photo as PNG."""
    return Response(_bench(request).opened.look(sha256).photo_png, headers=_LASTING, media_type="image/png")


@ROUTER.get("/captures/{sha256}/layers", response_class=Response)
def get_layers(request: Request, sha256: Sha256) -> Response:
    """Give what lies under each pixel, packed: flags, uncertainty, distance from the head."""
    return Response(_bench(request).opened.look(sha256).layers, headers=_LASTING, media_type=_BINARY)


@ROUTER.get("/captures/{sha256}/surface", response_class=Response)
def get_surface(request: Request, sha256: Sha256) -> Response:
    """Give the surface for the view in space, packed."""
    return Response(_bench(request).opened.look(sha256).in_space, headers=_LASTING, media_type=_BINARY)


@ROUTER.post("/captures/{sha256}/preview")
def preview(request: Request, sha256: Sha256, moved: Moved) -> _Json:
    """Give a finding's value and uncertainty quickly, while a mark is moved; nothing is written."""
    from fringewise.workbench import work  # noqa: PLC0415 - as above

    return work.preview(_bench(request), sha256, moved.finding, moved.expanded_uncertainty)


@ROUTER.post("/captures/{sha256}/measure")
def measure(request: Request, sha256: Sha256, marked: ToMeasure) -> _Json:
    """Measure a finding in full, with budget, pictures and what the limits say; nothing is written."""
    from fringewise.workbench import work  # noqa: PLC0415 - as above

    return work.measure(_bench(request), sha256, marked.finding, marked.inspection)


@ROUTER.get("/inspections/{identity}/captures/{sha256}/findings")
def get_findings(request: Request, identity: Identity, sha256: Sha256) -> _Json:
    """What is marked on a capture, with the version of the marks."""
    from fringewise.workbench import work  # noqa: PLC0415 - as above

    return work.marked(_bench(request), identity, sha256)


@ROUTER.post("/inspections/{identity}/captures/{sha256}/findings")
def keep_findings(request: Request, identity: Identity, sha256: Sha256, marked: Marked) -> _Json:
    """Write down what is marked on a capture, and measure it; refused where somebody changed it since."""
    from fringewise.workbench import work  # noqa: PLC0415 - as above

    return work.keep(_bench(request), identity, sha256, marked.model_dump())


@ROUTER.get("/inspections/{identity}/standing")
def get_standing(request: Request, identity: Identity) -> _Json:
    """How an inspection stands: limits, verdicts, what is left, what speaks against signing."""
    from fringewise.workbench import judged  # noqa: PLC0415 - as above

    return judged.standing(_bench(request), identity)


@ROUTER.post("/inspections/{identity}/verdicts")
def decide(request: Request, identity: Identity) -> _Json:
    """Ask the limits book about all findings, and write down what it says."""
    from fringewise.workbench import judged  # noqa: PLC0415 - as above

    return judged.judge(_bench(request), identity)


@ROUTER.post("/inspections/{identity}/submission")
def hand_in(request: Request, identity: Identity, said: HandedIn) -> _Json:
    """Submit an inspection for review."""
    from fringewise.workbench import judged  # noqa: PLC0415 - as above

    return judged.hand_in(_bench(request), identity, said.model_dump())


@ROUTER.post("/inspections/{identity}/signature")
def sign(request: Request, identity: Identity, said: ToSign) -> _Json:
    """Sign a submitted inspection; only a reviewer can."""
    from fringewise.workbench import judged  # noqa: PLC0415 - as above

    return judged.put_signature(_bench(request), identity, said.model_dump())


@ROUTER.get("/inspections/{identity}/report", response_class=Response)
def get_report(request: Request, identity: Identity, unit: Literal["mm", "in"] = "mm") -> Response:
    """The report of an inspection as it stands, as PDF."""
    from fringewise.workbench import judged  # noqa: PLC0415 - as above

    content = judged.report(_bench(request), identity, unit)
    return Response(content, media_type="application/pdf")


def _bench(request: Request) -> Bench:
    bench: Bench = request.app.state.bench
    return bench
