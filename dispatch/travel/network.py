"""The road network of a region, built here from an OpenStreetMap extract.

The one owner of the routing library: pyvalhalla (MIT), whose package brings the tile
builder along. It is an extra (``keyround[roads]``) and needs Python 3.12; nothing is
sent anywhere.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from dispatch.travel.atlas import COSTING, Refused
from dispatch.travel.digest import digest_of
from shared.errors import Fault, InvalidInput, Unavailable

MANIFEST, TILES = "network.json", "tiles"
DIGESTS = "digests"  # of extracts, beside the networks built from them
FORMAT = 1  # of the folder; a change builds anew
CREDIT = "© OpenStreetMap contributors"
LICENCE = "ODbL 1.0: say whose data it is, and share what you make of it alike"
NEEDS_PYTHON = (3, 12)

# What the builder writes down as it goes, and how far it is then, in percent: as it
# went for a country of 400 km of road (measured in November 2026).
STAGES = (
    ("Parsing files for ways", 5),
    ("Parsing files for relations", 15),
    ("Parsing files for nodes", 20),
    ("Creating graph edges", 28),
    ("tiles with", 40),
    ("Enhancing local graph", 60),
    ("Adding complex turn restrictions", 80),
    ("Validating", 90),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a built network is of.

    Parameters
    ----------
    extract : str
        Name of the extract's file.
    sha256 : str
        Of that file.
    data_date : str
        Date of the data (ISO 8601), as the file says; empty: it does not.
    bounds : tuple of float, or None
        South, west, north and east in degrees, as the file says; ``None``: it does not.
    credit, licence : str
        Whose data it is, and on which terms.
    library : str
        Name and version of what built it.
    format : int
        Of the folder.
    """

    extract: str
    sha256: str
    data_date: str
    bounds: tuple[float, float, float, float] | None
    credit: str = CREDIT
    licence: str = LICENCE
    library: str = ""
    format: int = FORMAT

    @property
    def network(self) -> str:
        """A short id: the same for the same extract and library.

        Returns
        -------
        str
            Letters, digits and dashes.
        """
        built = f"{self.sha256} {self.library} {self.format}"
        return hashlib.sha256(built.encode()).hexdigest()[:16]


def library() -> str:
    """Return name and version of the routing library.

    Returns
    -------
    str
        Such as 'pyvalhalla 3.9.1'.

    Raises
    ------
    Unavailable
        When it is not installed; says how it is.
    """
    try:
        found = version("pyvalhalla")
        import valhalla  # noqa: F401, PLC0415 - an extra
    except (PackageNotFoundError, ImportError):
        words = (
            "install it with: pip install 'keyround[roads]' (or: uv sync --extra roads)"
        )
        if sys.version_info < NEEDS_PYTHON:
            here = ".".join(map(str, sys.version_info[:2]))
            words = (
                f"it needs Python 3.12 or later, and this is {here}: run keyround with "
                "a newer one, as in: uv run --python 3.12 --extra roads keyround"
            )
        raise Unavailable(
            f"the road network needs the library pyvalhalla, which is not here; {words}"
            " (--no-roads plans along straight lines)"
        ) from None
    return f"pyvalhalla {found}"


def read_extract(extract: Path) -> Manifest:
    """Return what an extract is, without building anything.

    Parameters
    ----------
    extract : Path
        A file in OpenStreetMap's PBF format; read whole only the first time.

    Returns
    -------
    Manifest
        With the library that would build it.

    Raises
    ------
    InvalidInput
        When it is no such file.
    Unavailable
        When the library is not installed.
    """
    built_by = library()
    try:
        with extract.open("rb") as file:
            header = _header(file.read(70_000))
            file.seek(0)
            known = cache_folder() / DIGESTS
            sha256 = "" if header is None else digest_of(file, extract, known)
    except OSError as error:
        raise InvalidInput(
            [
                Fault(
                    file=str(extract),
                    got=error.strerror or "a file that cannot be read",
                    expected="an OpenStreetMap extract of the region (.osm.pbf)",
                )
            ]
        ) from None
    if header is None:
        raise InvalidInput(
            [
                Fault(
                    file=str(extract),
                    got="another kind of file",
                    expected="an OpenStreetMap extract in PBF format (.osm.pbf)",
                )
            ]
        )
    return Manifest(
        extract=extract.name,
        sha256=sha256,
        data_date=header[1],
        bounds=header[0],
        library=built_by,
    )


def build_network(
    extract: Path, folder: Path, report: Callable[[int], None] = lambda _: None
) -> Manifest:
    """Build a region's road network.

    Parameters
    ----------
    extract : Path
        A file in OpenStreetMap's PBF format.
    folder : Path
        Where to; it must not be there. It appears when all is done, or not at all.
    report : callable, optional
        Told how far it is, in percent.

    Returns
    -------
    Manifest
        What was built.

    Raises
    ------
    InvalidInput
        When the extract is none, holds no roads, or the folder is there.
    OSError
        When the folder cannot be written.
    Unavailable
        When the library is not installed.
    """
    manifest = read_extract(extract)
    if folder.exists():
        raise InvalidInput(
            [
                Fault(
                    file=str(folder),
                    got="something that is there already",
                    expected="a new folder: remove the old one, or name another",
                )
            ]
        )
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".keyround-", dir=folder.parent) as place:
        draft = Path(place) / "network"
        (draft / TILES).mkdir(parents=True)
        settings = Path(place) / "settings.json"
        settings.write_text(json.dumps(_settings(draft / TILES, loud=True)))
        _run_builder(extract, settings, report)
        if not any((draft / TILES).rglob("*.gph")):
            raise InvalidInput(
                [
                    Fault(
                        file=str(extract),
                        got="no roads",
                        expected="an extract with the region's roads",
                    )
                ]
            )
        text = json.dumps(asdict(manifest), indent=2, ensure_ascii=False)
        (draft / MANIFEST).write_text(f"{text}\n", encoding="utf-8")
        try:
            draft.rename(folder)
        except OSError:
            if not (folder / MANIFEST).exists():  # another process was quicker
                raise
    report(100)
    return manifest


def _run_builder(extract: Path, settings: Path, report: Callable[[int], None]) -> None:
    import valhalla  # noqa: PLC0415 - an extra

    # The console scripts are on no path that can be relied on.
    name = "valhalla_build_tiles" + ".exe" * (os.name == "nt")
    builder = Path(valhalla.__file__).parent / "bin" / name
    command = [str(builder), "--config", str(settings), str(extract.resolve())]
    said: list[str] = []
    with subprocess.Popen(  # noqa: S603 - the library's own program
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
    ) as running:
        assert running.stdout is not None  # noqa: S101 - it is a pipe
        try:
            for line in running.stdout:
                said = [*said[-4:], line.strip()]
                for words, percent in STAGES:
                    if words in line:
                        report(percent)
        except BaseException:
            running.terminate()
            raise
    if running.returncode != 0:
        raise Unavailable(
            f"the road network could not be built from {extract.name}: "
            + (said[-1] if said else f"the builder ended with {running.returncode}")
        )


def _settings(
    tiles: Path, *, loud: bool = False, careful: bool = False
) -> dict[str, Any]:
    """Return the library's settings for a network."""
    from valhalla import get_config  # noqa: PLC0415 - an extra

    made: dict[str, Any] = json.loads(
        json.dumps(get_config(tile_extract="", tile_dir=str(tiles), verbose=loud))
    )
    made["logging"]["color"] = False
    build = made["mjolnir"]
    for name in ("admin", "landmarks", "timezone", "traffic_extract", "transit_dir"):
        build.pop(name, None)  # none of these is here, and it would say so
    build["concurrency"] = 1
    # One level of roads: between levels the swift search loses its way when it looks
    # backwards from a target (up to 500 s too long, against the library's own routes).
    # A region is small enough to do without.
    build["hierarchy"] = build["shortcuts"] = False
    # Every drive is one question: the limits are for services on the open web.
    limits = made["service_limits"][COSTING]
    limits["max_matrix_location_pairs"] = 10**9
    limits["max_locations"] = 10**6
    limits["max_matrix_distance"] = limits["max_distance"] = 5_000_000.0
    made["loki"]["use_connectivity"] = False
    # Five times as fast as the default for a day; where it finds no way, the default
    # looks again.
    swift = "timedistancematrix"
    made["thor"]["source_to_target_algorithm"] = "costmatrix" if careful else swift
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A built network: an :class:`~dispatch.travel.atlas.Asker` that asks nobody else.

    Parameters
    ----------
    manifest : Manifest
        What it is of.
    swift, careful : any
        The library's two actors.
    """

    manifest: Manifest
    swift: Any
    careful: Any

    @property
    def network(self) -> str:
        """A short id: the same for the same data and library.

        Returns
        -------
        str
            Letters, digits and dashes.
        """
        return self.manifest.network

    @property
    def credit(self) -> str:
        """Whose data it is, and of when.

        Returns
        -------
        str
            The attribution that its licence asks for.
        """
        of = (
            f", data of {self.manifest.data_date[:10]}"
            if self.manifest.data_date
            else ""
        )
        return f"{self.manifest.credit}{of}"

    @property
    def bounds(self) -> tuple[float, float, float, float] | None:
        """The region.

        Returns
        -------
        tuple of float, or None
            South, west, north and east in degrees, where the extract says so.
        """
        return self.manifest.bounds

    @property
    def pairs_at_once(self) -> int:
        """How many drives may be asked for in one question.

        Returns
        -------
        int
            A thousand places among each other.
        """
        return 1_000_000

    def ask(
        self, what: str, question: Mapping[str, Any], *, slowly: bool = False
    ) -> Any:  # noqa: ANN401 - JSON
        """Ask one question.

        Parameters
        ----------
        what : str
            'locate', 'sources_to_targets' or 'route'.
        question : mapping
            Its JSON.
        slowly : bool, optional
            Whether to look with more care.

        Returns
        -------
        any
            The answer's JSON.

        Raises
        ------
        Refused
            When there is no answer to that.
        """
        actor = self.careful if slowly or what == "route" else self.swift
        ask = getattr(actor, "matrix" if what == "sources_to_targets" else what)
        try:
            return ask(dict(question))
        except RuntimeError as error:  # the library's own is one
            raise Refused(str(error)) from None


def open_network(folder: Path) -> Network:
    """Open a network that was built.

    Parameters
    ----------
    folder : Path
        As :func:`build_network` left it.

    Returns
    -------
    Network
        Ready to be asked.

    Raises
    ------
    InvalidInput
        When there is none, or none that this version can read.
    Unavailable
        When the library is not installed.
    """
    library()
    from valhalla import Actor  # noqa: PLC0415 - an extra

    try:
        told = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        bounds = told.pop("bounds", None)
        manifest = Manifest(bounds=tuple(bounds) if bounds else None, **told)
    except (OSError, ValueError, TypeError, AttributeError):
        manifest = None
    if manifest is None or manifest.format != FORMAT:
        raise InvalidInput(
            [
                Fault(
                    file=str(folder),
                    got="no road network of this version" if manifest else "none",
                    expected="a folder that 'keyround roads EXTRACT --out' wrote",
                )
            ]
        )
    swift, careful = (
        Actor(_settings(folder / TILES, careful=each)) for each in (False, True)
    )
    return Network(manifest=manifest, swift=swift, careful=careful)


def cache_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Return where networks are kept that are built on first use.

    Parameters
    ----------
    environment : mapping of str to str, optional
        The process's.

    Returns
    -------
    Path
        ``KEYROUND_ROADS_CACHE``, or a folder in the user's cache.
    """
    given = environment.get("KEYROUND_ROADS_CACHE")
    if given:
        return Path(given)
    cache = environment.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache) / "keyround" / "roads"


def network_of(
    extract: Path,
    say: Callable[[str], None] = lambda _: None,
    report: Callable[[int], None] = lambda _: None,
) -> Network:
    """Return an extract's network, built on first use and kept.

    Parameters
    ----------
    extract : Path
        A file in OpenStreetMap's PBF format.
    say : callable, optional
        Told in words that it is being built, and where.
    report : callable, optional
        Told how far that is, in percent.

    Returns
    -------
    Network
        Ready to be asked.

    Raises
    ------
    InvalidInput
        When the extract is none, or holds no roads.
    OSError
        When it cannot be kept.
    Unavailable
        When the library is not installed.
    """
    manifest = read_extract(extract)
    folder = cache_folder() / manifest.network
    if not (folder / MANIFEST).exists():
        say(
            f"building the road network of {extract.name} for the first time, into "
            f"{folder}: about a second for each 400 km of road"
        )
        if folder.exists():  # a draft of an earlier version; nobody reads it
            shutil.rmtree(folder)
        build_network(extract, folder, report)
    return open_network(folder)


# --- the first block of a PBF file ------------------------------------------------


def _header(
    start: bytes,
) -> tuple[tuple[float, float, float, float] | None, str] | None:
    """Return region and date from the first block of a file; ``None``: it is no PBF.

    The format is OpenStreetMap's own (protocol buffers, its documentation): a length,
    a block header that names the kind, a blob, perhaps packed.
    """
    import zlib  # noqa: PLC0415 - only here

    try:
        long = int.from_bytes(start[:4], "big")
        kind = _fields(start[4 : 4 + long])
        if kind.get(1) != b"OSMHeader" or not isinstance(kind.get(3), int):
            return None
        blob = _fields(start[4 + long : 4 + long + kind[3]])
        block = _fields(blob[1] if 1 in blob else zlib.decompress(blob[3]))
    except (IndexError, KeyError, TypeError, ValueError, zlib.error):
        return None
    bounds = None
    if isinstance(block.get(1), bytes):
        west, east, north, south = (
            _zigzag(_fields(block[1]).get(key, 0)) / 1e9 for key in (1, 2, 3, 4)
        )
        bounds = (south, west, north, east)
    moment = block.get(32)
    date = ""
    if isinstance(moment, int):
        date = datetime.fromtimestamp(moment, UTC).date().isoformat()
    return bounds, date


def _zigzag(number: int) -> int:
    return (number >> 1) ^ -(number & 1)


def _fields(message: bytes) -> dict[int, Any]:
    """Return the fields of a protocol buffer: numbers and bytes, the last of each."""
    found: dict[int, Any] = {}
    at = 0
    while at < len(message):
        key, at = _varint(message, at)
        if key & 7 == 0:
            found[key >> 3], at = _varint(message, at)
        elif key & 7 == 2:  # noqa: PLR2004 - so many bytes
            long, at = _varint(message, at)
            if at + long > len(message):
                raise ValueError("cut off")
            found[key >> 3] = message[at : at + long]
            at += long
        else:
            raise ValueError("a field that this format has not")
    return found


def _varint(message: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        value |= (message[at] & 127) << shift
        if message[at] < 128:  # noqa: PLR2004 - the eighth bit: more follows
            return value, at + 1
        at, shift = at + 1, shift + 7
