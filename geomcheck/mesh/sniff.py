"""What a mesh file really is, whatever its name says."""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import Literal

from geomcheck.errors import MeshFileError
from geomcheck.files import open_plain, read_plain

Format = Literal["binary STL", "ASCII STL", "OBJ", "PLY", "3MF"]

#: Bytes of a binary STL before its triangles, and of each triangle.
HEADER, RECORD = 84, 50

#: Endings of the files that are read.
SUFFIXES: dict[str, str] = {".stl": "STL", ".obj": "OBJ", ".ply": "PLY", ".3mf": "3MF"}
_SOLID_MODELS = {".step", ".stp", ".iges", ".igs", ".x_t", ".x_b", ".brep", ".sat"}
#: A larger file (bytes; 40 million triangles) is no part but a mistake, and is not read.
LARGEST = 2_000_000_000
_EXPORT = "Export the part again as binary STL"


def load_bytes(file: Path) -> bytes:
    """Content of a file.

    Raises
    ------
    MeshFileError
        Missing, a folder, unreadable, empty, or of a kind that is not read.
    """
    suffix = file.suffix.lower()
    try:
        if file.is_dir():
            raise MeshFileError("this is a folder", file=file, remedy="Name the mesh file in it")
        _refuse_large(file)
        content = read_plain(file)
    except FileNotFoundError:
        raise MeshFileError(
            "there is no such file",
            file=file,
            remedy="Check the name, upper and lower case, and the folder it is looked for in",
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise MeshFileError(
            f"the file cannot be read ({reason})", file=file, remedy="Check its permissions"
        ) from error
    if not content:
        raise MeshFileError("the file is empty (0 bytes)", file=file, remedy=_EXPORT)
    if suffix in _SOLID_MODELS:
        raise MeshFileError(
            f"{suffix} is a solid model, not a mesh",
            file=file,
            remedy="Export it as binary STL, with a chord tolerance well under the gaps to check",
        )
    if suffix not in SUFFIXES:
        raise MeshFileError(
            f'the ending "{file.suffix}" is not one that is read',
            file=file,
            remedy="Use .stl, .obj, .ply or .3mf",
        )
    return content


def _refuse_large(file: Path) -> None:
    """Say why a file too large to be read is none that should be."""
    with open_plain(file) as stream:
        size = os.fstat(stream.fileno()).st_size
        if size <= LARGEST:
            return
        head = stream.read(4096)
    if file.suffix.lower() == ".stl" and not is_text(head):
        (stated,) = struct.unpack_from("<I", head, HEADER - 4)
        if size != HEADER + RECORD * stated:
            _refuse_length(file, head, size)
    raise MeshFileError(
        f"the file is too large ({size / 1e9:.1f} GB; up to {LARGEST / 1e9:.0f} GB are read)",
        file=file,
        remedy="Export the part with a coarser tolerance, or only what lies near the housing",
    )


def sniff(file: Path, content: bytes) -> Format:
    """Format of a file by its content; its name must agree.

    Raises
    ------
    MeshFileError
        The content is something else, or is a binary STL of the wrong length.
    """
    _refuse_stand_ins(file, content)
    found = _known_format(content)
    named = SUFFIXES[file.suffix.lower()]
    if found is None and named == "STL":
        _refuse_length(file, content, len(content))
    if found is None and named == "3MF":
        raise MeshFileError(
            "this is no 3MF file: it is not a ZIP archive", file=file, remedy="Export it again"
        )
    if found is None and named == "PLY":
        raise MeshFileError(
            'this is no PLY file: it does not begin with "ply"', file=file, remedy="Export it again"
        )
    if found is None:
        if not is_text(content):
            raise MeshFileError("this is no OBJ file: it is not text", file=file, remedy=_EXPORT)
        return "OBJ"
    if not found.endswith(named):
        ending = {"binary STL": ".stl", "ASCII STL": ".stl", "PLY": ".ply", "3MF": ".3mf"}[found]
        raise MeshFileError(
            f"named {file.suffix} but the content is {found}",
            file=file,
            remedy=f"Rename it to end in {ending}",
        )
    return found


def is_text(content: bytes) -> bool:
    """Whether the first 4096 bytes are free of the control characters text does not have."""
    head = content[:4096]
    return not any(byte < 9 or 13 < byte < 32 or byte == 127 for byte in head.replace(b"\x1a", b""))


def _known_format(content: bytes) -> Format | None:
    """Format the content proves; None for OBJ, which has no mark, and for all else."""
    if len(content) >= HEADER:
        (stated,) = struct.unpack_from("<I", content, HEADER - 4)
        # The length alone decides, since a binary STL may well begin with "solid".
        if len(content) == HEADER + RECORD * stated:
            return "binary STL"
    head = content[:512].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if head[:4] in (b"ply\n", b"ply\r", b"ply "):
        return "PLY"
    if content[:4] == b"PK\x03\x04":
        return "3MF"
    if head[:5] == b"solid" and (not head[5:6].strip()) and is_text(content):
        return "ASCII STL"
    return None


def _refuse_stand_ins(file: Path, content: bytes) -> None:
    """Files that took the mesh's place."""
    head = content[:1024].removeprefix(b"\xef\xbb\xbf").lstrip()
    lower = head.lower()
    if head.startswith(b"version https://git-lfs"):
        raise MeshFileError(
            "this is a Git LFS pointer, not the mesh itself",
            file=file,
            remedy='Run "git lfs pull" to fetch the real file',
        )
    if lower.startswith((b"<!doctype html", b"<html", b"<head", b"<body")):
        raise MeshFileError(
            "this is an HTML page, not a mesh; a download was answered with a web page",
            file=file,
            remedy="Open it in a browser to see what it says, then download the file again",
        )
    if lower.startswith((b"<?xml", b"<error")):
        raise MeshFileError("this is an XML text, not a mesh", file=file, remedy=_EXPORT)
    if content[:2] in (b"\xff\xfe", b"\xfe\xff") and b"\0" in content[:64]:
        raise MeshFileError(
            "this text is written in UTF-16", file=file, remedy="Save it as plain ASCII or UTF-8"
        )
    if content[:2] == b"\x1f\x8b":
        raise MeshFileError("this is a gzip archive", file=file, remedy="Unpack it first")


def _refuse_length(file: Path, content: bytes, size: int) -> None:
    """Say why a file named .stl, of so many bytes, is neither binary nor ASCII STL."""
    text = is_text(content)
    if text or size < HEADER:
        if text:
            line = content[:60].decode("utf-8", "replace").strip().splitlines()
            raise MeshFileError(
                f'this is not an STL: it begins with "{line[0][:40] if line else ""}"',
                file=file,
                remedy=_EXPORT,
            )
        raise MeshFileError(
            f"too short for a binary STL ({size} bytes; the header alone has {HEADER})",
            file=file,
            remedy="The file was cut off; copy or export it again",
        )
    (stated,) = struct.unpack_from("<I", content, HEADER - 4)
    whole, rest = divmod(size - HEADER, RECORD)
    wanted = HEADER + RECORD * stated
    if rest == 0:
        raise MeshFileError(
            f"the header states {stated} triangles but the file holds {whole}",
            file=file,
            remedy="The count or the file is damaged; export it again",
        )
    if size < wanted:
        raise MeshFileError(
            f"cut off: the header states {stated} triangles ({wanted} bytes) but the file has "
            f"{size} bytes, {whole} whole triangles",
            file=file,
            remedy="Copy or export it again; if it never was an STL, see what wrote it",
        )
    raise MeshFileError(
        f"too long: the header states {stated} triangles ({wanted} bytes) but the file has "
        f"{size} bytes",
        file=file,
        remedy="Something was added or the count is wrong; export it again",
    )
