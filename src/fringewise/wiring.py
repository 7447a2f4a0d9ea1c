"""Settings, read once: from one TOML file and ``FRINGEWISE_*`` variables; and what they switch on.

A variable goes before the file, the file before the default. Everything about a setting (its default, what it
may be, its words) stands in the one table `SETTINGS`.
"""

from __future__ import annotations

import multiprocessing
import os
import secrets
import sys
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, cast

import platformdirs

from fringewise.core.errors import InputRefused, PlaceUnusable, Problem
from fringewise.core.units import LengthUnit

if TYPE_CHECKING:
    from fringewise.archive.archive import SqlArchive
    from fringewise.capture.capture import Capture
    from fringewise.core.progress import Clock
    from fringewise.files.shelf import FolderShelf
    from fringewise.workflow.demo import DemoOutcome
    from fringewise.workflow.keeping import Desk
    from fringewise.workflow.measure import Measurement
    from fringewise.workflow.rechecking import Job, Outcome, Run

LogLevel = Literal["debug", "info", "warning", "error"]

KernelsAre = Literal["kept", "new", "not kept"]

PREFIX: Final = "FRINGEWISE_"
FILE_VARIABLE: Final = "FRINGEWISE_SETTINGS"
"""Names another settings file than the usual one."""

PASSPHRASE_VARIABLE: Final = "FRINGEWISE_PASSPHRASE"  # noqa: S105 - a variable's name
"""Holds a key's passphrase where nobody is there to be asked; no setting, so that no file keeps it."""

_SCHEMES: Final = ("postgresql://", "postgres://", "postgresql+psycopg://")
_BESIDE: Final = "beside"

_LIBRARIES: Final = {
    "numpy": "numpy",
    "scipy": "scipy",
    "numba": "numba",
    "opencv": "opencv-python-headless",
}

_MOST_THREADS: Final = 256
_MOST_FILE_BYTES: Final = 1 << 20
_NO_FOLDER: Final = "off"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: its name in the file, its default in words, its words for a person, and its reading.

    `read` takes the text of a variable or the value in the file; it raises ValueError with the rule that is
    broken.
    """

    name: str
    default: str
    words: str
    read: Callable[[object], Any]

    @property
    def variable(self) -> str:
        """The variable that goes before the file."""
        return PREFIX + self.name.upper()


@dataclass(frozen=True, slots=True)
class Held:
    """A setting as it holds: its value and whence it comes (``default``, the file, or the variable)."""

    setting: Setting
    value: Any
    whence: str


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings of this process.

    Attributes
    ----------
    unit : {"mm", "in"}
        Unit of the lengths that are printed.
    threads : int
        Threads for the heavy work; 0 for as many as the machine has.
    kernel_cache : Path, optional
        Folder that keeps compiled kernels; None leaves that to the compiler.
    log_level : {"debug", "info", "warning", "error"}
    archive : str
        Folder of the archive, or the URL of its PostgreSQL database.
    objects : str
        Folder or store URL of the archive's files; empty for the folder beside a folder's database.
    person : str
        Who works here, as the archive knows them.
    two_people : bool
        Whether nobody may sign what they measured themselves.
    held : tuple of Held
        The same, with whence each comes.
    file : Path
        The settings file, there or not.
    """

    unit: LengthUnit
    threads: int
    kernel_cache: Path | None
    log_level: LogLevel
    archive: str
    objects: str
    person: str
    two_people: bool
    held: tuple[Held, ...]
    file: Path


def _one_of(*words: str) -> Callable[[object], str]:
    def read(value: object) -> str:
        if not isinstance(value, str) or value.strip().lower() not in words:
            raise ValueError(f"must be one of {', '.join(words)}")
        return value.strip().lower()

    return read


def _threads(value: object) -> int:
    rule = f"must be a whole number from 0 to {_MOST_THREADS}; 0 stands for as many as the machine has"
    text = value.strip() if isinstance(value, str) else value
    if isinstance(text, str) and text.isascii() and text.isdigit():
        text = int(text[:9])
    if isinstance(text, bool) or not isinstance(text, int) or not 0 <= text <= _MOST_THREADS:
        raise ValueError(rule)
    return text


def _folder(value: object) -> Path | None:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError(f"must be a folder, or {_NO_FOLDER}")
    if value.strip().lower() == _NO_FOLDER:
        return None
    folder = Path(value.strip()).expanduser()
    if not folder.is_absolute():
        raise ValueError(f"must be a whole path from the root, or {_NO_FOLDER}")
    return folder


def _archive(value: object) -> str:
    rule = "must be a whole path of a folder from the root, or postgresql://USER@HOST/NAME"
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError(rule)
    text = value.strip()
    if "://" in text:
        if not text.startswith(_SCHEMES):
            raise ValueError(rule)
        return text.replace("postgres://", "postgresql://", 1)
    folder = Path(text).expanduser()
    if not folder.is_absolute():
        raise ValueError(rule)
    return str(folder)


def _objects(value: object) -> str:
    rule = f"must be {_BESIDE}, a whole path of a folder from the root, or a store's URL"
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError(rule)
    text = value.strip()
    if text == _BESIDE:
        return ""
    if "://" not in text and not Path(text).expanduser().is_absolute():
        raise ValueError(rule)
    return text if "://" in text else str(Path(text).expanduser())


def _person(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable() or len(value) > 200:
        raise ValueError("must be a name of 1 to 200 letters")
    return value.strip()


def _yes_no(value: object) -> bool:
    said = {"yes": True, "no": False, "true": True, "false": False}
    word = str(value).strip().lower()
    if word not in said:
        raise ValueError("must be yes or no")
    return said[word]


SETTINGS: Final[tuple[Setting, ...]] = (
    Setting("unit", "mm", "unit of the lengths that are printed: mm or in", _one_of("mm", "in")),
    Setting("threads", "0", "threads for the heavy work; 0: as many as the machine has", _threads),
    Setting(
        "kernel_cache",
        str(platformdirs.user_cache_path("fringewise", appauthor=False) / "kernels"),
        f"folder that keeps compiled kernels for the next time; {_NO_FOLDER}: leave that to the compiler",
        _folder,
    ),
    Setting(
        "log_level",
        "warning",
        "what is logged on standard error: debug, info, warning or error",
        _one_of("debug", "info", "warning", "error"),
    ),
    Setting(
        "archive",
        str(platformdirs.user_data_path("fringewise", appauthor=False) / "archive"),
        "folder of the archive, or postgresql://USER@HOST/NAME",
        _archive,
    ),
    Setting(
        "objects",
        _BESIDE,
        f"folder or store URL (such as s3://BUCKET/FOLDER) of the archive's files; {_BESIDE}: in the "
        "archive's folder",
        _objects,
    ),
    Setting("person", "technician", "who works here, by the name that the archive knows", _person),
    Setting("two_people", "yes", "yes: nobody signs what they measured themselves", _yes_no),
)
"""The one table of settings."""


def settings_file(environment: Mapping[str, str]) -> Path:
    """Give the place of the settings file, which need not exist."""
    named = environment.get(FILE_VARIABLE, "")
    if named:
        return Path(named)
    return platformdirs.user_config_path("fringewise", appauthor=False) / "settings.toml"


def read_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """Read the settings from the file and the variables.

    Parameters
    ----------
    environment : mapping, optional
        The variables; the process's own where absent.

    Raises
    ------
    InputRefused
        Every setting that is not what it may be, and every name in the file that is no setting.
    """
    variables = os.environ if environment is None else environment
    file = settings_file(variables)
    in_file, problems = _in_file(file, named=bool(variables.get(FILE_VARIABLE)))
    held = [_held(setting, in_file, variables, file, problems) for setting in SETTINGS]
    if problems:
        raise InputRefused(problems)
    values = {one.setting.name: one.value for one in held}
    return Settings(**values, held=tuple(held), file=file)


def ignored_variables(environment: Mapping[str, str] | None = None) -> list[str]:
    """Name the variables that begin like settings and are none, so that a slip is seen."""
    variables = os.environ if environment is None else environment
    known = {FILE_VARIABLE, PASSPHRASE_VARIABLE, *(setting.variable for setting in SETTINGS)}
    return sorted(name for name in variables if name.startswith(PREFIX) and name not in known)


def prepare_kernels(settings: Settings) -> KernelsAre:
    """Tell the compiler where to keep kernels and how many threads to use; before any kernel is imported.

    A cache folder that can't be written is passed over: kernels are then kept beside the installed program
    or, where that can't be written either, compiled anew in each process.

    Returns
    -------
    {"kept", "new", "not kept"}
        Whether kernels kept from before were found, will be kept from now on, or can't be kept there.
    """
    folder = settings.kernel_cache
    usable = folder is not None and _writable(folder)
    if settings.threads:
        os.environ["NUMBA_NUM_THREADS"] = str(min(settings.threads, os.cpu_count() or 1))
    if usable:
        os.environ.setdefault("NUMBA_CACHE_DIR", str(folder))
    numba = sys.modules.get("numba")
    if numba is not None:
        numba.config.reload_config()
    place = os.environ.get("NUMBA_CACHE_DIR")
    if not place:
        return "not kept"
    return "kept" if any(Path(place).rglob("*.nbi")) else "new"


def open_archive(settings: Settings) -> SqlArchive:
    """Open the archive that the settings name; a folder and its database are made where there are none.

    Raises
    ------
    PlaceUnusable
        It can't be reached or written, or was made by a newer program.
    """
    from fringewise.archive.archive import SqlArchive  # noqa: PLC0415 - what a command needs is imported late
    from fringewise.archive.database import open_database  # noqa: PLC0415
    from fringewise.archive.objects import objects_at  # noqa: PLC0415

    if "://" in settings.archive:
        engine = open_database(settings.archive)
    else:
        folder = Path(settings.archive)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise PlaceUnusable(f"{folder} can't be made: {error.strerror or error}") from error
        engine = open_database(folder / "archive.sqlite")
    return SqlArchive(engine, objects_at(_objects_place(settings)))


def _objects_place(settings: Settings) -> str:
    """Folder or store URL of the archive's files."""
    in_folder = "://" not in settings.archive
    usual = platformdirs.user_data_path("fringewise", appauthor=False) / "archive"
    folder = Path(settings.archive) if in_folder else usual
    return settings.objects or str(folder / "objects")


def desk(settings: Settings, archive: SqlArchive, *, clock: Clock | None = None) -> Desk:
    """Give the desk of the person that the settings name; an archive that knows nobody gets them first.

    That first person is technician and administrator. Whether they were just written down is told by
    `fresh_person`.
    """
    from fringewise.files.intake import capture_of  # noqa: PLC0415 - what a command needs is imported late
    from fringewise.record.people import Rules  # noqa: PLC0415
    from fringewise.workflow.keeping import Desk, add_person  # noqa: PLC0415

    def read(sha256: str) -> Capture:
        return capture_of(archive, sha256)

    made = Desk(
        archive,
        settings.person,
        clock or _now,
        Rules(two_people=settings.two_people),
        read,
        versions(),
    )
    if fresh_person(archive):
        add_person(made, settings.person, settings.person, ["technician", "administrator"])
    return made


def fresh_person(archive: SqlArchive) -> bool:
    """Whether an archive knows nobody yet, so that `desk` writes down its first person."""
    return not archive.about("person")


def recheck_in_processes(settings: Settings, processes: int = 0) -> Run:
    """Give what does the jobs of a recheck, several at once in processes of their own (0: one a core)."""
    most = processes or os.cpu_count() or 1
    place = _objects_place(settings)

    def run(jobs: Sequence[Job]) -> Iterator[Outcome]:
        workers = min(most, len(jobs))
        if workers <= 1:
            yield from (_recheck_job(place, job) for job in jobs)
            return
        with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
            waiting = [pool.submit(_recheck_job, place, job) for job in jobs]
            yield from (one.result() for one in as_completed(waiting))

    return run


def _recheck_job(objects: str, job: Job) -> Outcome:
    """Do one job in a process that may know nothing yet; files are read, nothing is written."""
    from fringewise.archive.objects import objects_at  # noqa: PLC0415 - what a command needs is imported late
    from fringewise.files.intake import capture_of  # noqa: PLC0415
    from fringewise.workflow.rechecking import recheck_capture  # noqa: PLC0415

    kept = objects_at(objects)
    return recheck_capture(lambda sha256: capture_of(kept, sha256), job)


def key_file(person: str) -> Path:
    """Give the usual place of a person's private keys, beside the settings."""
    plain = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in person)
    return platformdirs.user_config_path("fringewise", appauthor=False) / "keys" / f"{plain}.pem"


def versions() -> dict[str, str]:
    """Versions of the program, of Python and of the numerical libraries, as results state them."""
    import platform  # noqa: PLC0415
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415

    from fringewise import __version__  # noqa: PLC0415

    found = {"fringewise": __version__, "Python": platform.python_version()}
    for name, package in _LIBRARIES.items():
        try:
            found[name] = version(package)
        except PackageNotFoundError:
            found[name] = "not known"
    return found


def _now() -> datetime:
    return datetime.now(UTC)


def _in_file(file: Path, *, named: bool) -> tuple[dict[str, Any], list[Problem]]:
    """Give what the settings file says; one that was not asked for by name need not be there."""
    try:
        with file.open("rb") as stream:
            text = stream.read(_MOST_FILE_BYTES + 1)
        if len(text) > _MOST_FILE_BYTES:
            return {}, [Problem(str(file), "", "must be a settings file; this is far too large for one")]
        said = tomllib.loads(text.decode("utf-8-sig"))
    except (FileNotFoundError, NotADirectoryError, PermissionError) as error:
        if named and isinstance(error, PermissionError):
            return {}, [Problem(str(file), "", "must be a file that may be read")]
        missing = Problem(str(file), "", f"the settings file that {FILE_VARIABLE} names must exist")
        return {}, [missing] if named else []
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or str(error) or "it is nested too deep"
        return {}, [Problem(str(file), "", f"must be a readable TOML file: {reason}")]
    known = {setting.name for setting in SETTINGS}
    rule = f"must be a setting: {', '.join(sorted(known))}"
    return said, [Problem(str(file), name, rule) for name in said if name not in known]


def _held(
    setting: Setting,
    in_file: Mapping[str, Any],
    variables: Mapping[str, str],
    file: Path,
    problems: list[Problem],
) -> Held:
    """Settle one setting; what is wrong with it is added to `problems`."""
    where, field, whence, value = "", "", "default", cast("object", setting.default)
    if setting.name in in_file:
        where, field, whence, value = str(file), setting.name, str(file), in_file[setting.name]
    if setting.variable in variables:
        where, field, whence, value = setting.variable, "", setting.variable, variables[setting.variable]
    try:
        return Held(setting, setting.read(value), whence)
    except (ValueError, RuntimeError) as error:  # RuntimeError: no home that ~ could stand for
        problems.append(Problem(where, field, str(error), repr(value)))
        return Held(setting, setting.read(setting.default), "default")


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        trial = folder / f".{secrets.token_hex(4)}.trial"
        trial.touch()
        trial.unlink()
    except (OSError, ValueError):
        return False
    return True


def folder_shelf(folder: Path, unit: LengthUnit) -> FolderShelf:
    """Build the shelf that keeps an inspection's looks in a folder, with pictures in the unit asked for."""
    from fringewise import __version__  # noqa: PLC0415 - what a command needs is imported late
    from fringewise.files.shelf import FolderShelf  # noqa: PLC0415

    def draw(name: str, measurement: Measurement, pictures: Path) -> None:
        from fringewise.render import (  # noqa: PLC0415
            finding_picture,
            photo_picture,
            surface_picture,
            write_picture,
        )

        surface, standoff = measurement.surface, measurement.summary.standoff_mm
        page = photo_picture(
            surface,
            measurement.results,
            title=f"Findings on {name}",
            capture_name=name,
            standoff_mm=standoff,
            unit=unit,
        )
        write_picture(page, pictures / f"{name}.png")
        page = surface_picture(
            surface, title=f"Surface of {name}", capture_name=name, standoff_mm=standoff, unit=unit
        )
        write_picture(page, pictures / f"{name}-surface.png")
        for result in measurement.results:
            page = finding_picture(surface, result, capture_name=name, standoff_mm=standoff, unit=unit)
            write_picture(page, pictures / f"{name}-{result.finding.identity}.png")

    return FolderShelf(folder, f"fringewise {__version__}", draw)


def draw_stage(outcome: DemoOutcome, path: Path, unit: LengthUnit) -> None:
    """Draw the demo's stage and its sizes beside the truth on one page."""
    from fringewise.render import Inspection, StageItem, TruthRow, inspection_picture, write_picture  # noqa: PLC0415
    from fringewise.workflow import demo  # noqa: PLC0415

    measured = {look.blade: made for look, made in outcome.measurements}
    items = tuple(
        StageItem(blade, "measured" if blade in measured else "not looked at")
        for blade in range(1, demo.BLADES + 1)
    )
    rows = tuple(
        TruthRow(
            str(row.look.blade),
            row.result.finding.identity,
            row.result.finding.kind,
            row.measured,
            None if row.measured is None else row.truth,
            "" if row.measured is not None else row.result.reason or "left out",
        )
        for row in outcome.rows
    )
    page = Inspection(
        "Invented inspection: sizes beside the truth",
        f"{demo.ENGINE}; {len(measured)} rendered looks",
        f"Stage {demo.STAGE}",
        f"{demo.BLADES} blades, {demo.VIEWED}",
        items,
        rows,
        "Works, engine, stage, blades and damage are invented. Decision support. It releases nothing.",
    )
    write_picture(inspection_picture(page, unit=unit), path)
