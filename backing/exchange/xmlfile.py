"""MusicXML files opened safely: plain or zipped, of limited size, without entities of their own.

Conventions: the parser is Python's expat, with handlers of our own: it fetches nothing (the DTD
that a file names is never read) and refuses any entity declared in the file, so that none can
grow. A ``.mxl`` is read in memory and never unpacked; sizes are counted while reading, since a
zip's own word for them may be false. Signs that steer a terminal or turn writing round are left
out of all text.

References: MusicXML 4.0, "Compressed .mxl files": ``META-INF/container.xml`` names the root file.
"""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree as ET
from xml.parsers import expat

from phrases.errors import Problem, TextFileError
from phrases.textfile import read_bytes

__all__ = ["LARGEST", "SUFFIXES", "read_xml"]

SUFFIXES = (".musicxml", ".xml", ".mxl")
LARGEST = 20_000_000  # bytes of XML
DEEPEST = 64
# Controls that XML allows, and marks that turn writing round (Unicode Standard Annex 9).
STEERING = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
EXPORT = "export it from the notation program as MusicXML (.musicxml or .mxl)"
BROKEN = f"not XML, or not all of it; {EXPORT}"
CONTAINER = "META-INF/container.xml"


def read_xml(path: Path) -> ET.Element:
    """Return the root element of a MusicXML file.

    Raises `TextFileError` if it cannot be read, is no XML, is too large, or declares entities.
    """
    name = str(path)
    data = read_bytes(path, "a MusicXML file", LARGEST)
    return _parsed(name, _unzipped(name, data) if data.startswith(b"PK") else data)


def _broken(name: str, message: str, line: int = 0, column: int = 0) -> TextFileError:
    return TextFileError(name, (Problem(message, line, column),))


def _unzipped(name: str, data: bytes) -> bytes:
    """Return the music inside a ``.mxl``."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = archive.namelist()
            if CONTAINER in names:
                container = _parsed(name, _member(name, archive, CONTAINER))
                inside = next((e.get("full-path") for e in container.iter("rootfile")), None)
            else:
                inside = next((n for n in names if n.endswith((".musicxml", ".xml"))), None)
            if inside not in names or inside is None:
                raise _broken(name, "the zip holds no MusicXML; export it again, uncompressed")
            return _member(name, archive, inside)
    except TextFileError:
        raise
    # A damaged index makes zipfile and its decompressors raise nearly anything there is.
    except Exception:
        raise _broken(name, f"not a zip that can be read; {EXPORT}") from None


def _member(name: str, archive: zipfile.ZipFile, inside: str) -> bytes:
    with archive.open(inside) as file:
        data = file.read(LARGEST + 1)
    if len(data) > LARGEST:
        raise _broken(name, f"too large: at most {LARGEST // 1_000_000} MB are read")
    return data


def _parsed(name: str, data: bytes) -> ET.Element:
    builder = ET.TreeBuilder()
    parser = expat.ParserCreate()
    parser.buffer_text = True
    depth = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            raise _broken(name, f"elements are nested deeper than {DEEPEST}")
        builder.start(tag, {key: STEERING.sub("", text) for key, text in attributes.items()})

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(tag)

    def text(data: str) -> None:
        builder.data(STEERING.sub("", data))

    def entity(*_: object) -> None:
        raise _broken(name, "it declares entities, which is not done in MusicXML")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text
    parser.EntityDeclHandler = entity
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise _broken(name, BROKEN, error.lineno, error.offset + 1) from None
    except (LookupError, ValueError) as error:
        if isinstance(error, TextFileError):
            raise
        raise _broken(name, BROKEN) from None
    return builder.close()
