"""The bytes of a text log: compressed or not, and in which encoding."""

import codecs
from pathlib import Path

import pyarrow as pa

from telemetry.errors import LogError

HEAD_BYTES = 1 << 18

# Every cell of a text is a byte or more, but for those of blank lines. Packed, the stamps and the noise of a few
# sensors alone are some bytes a row, beside which many columns that never change count little: own choice.
MOST_CELLS_PER_BYTE, MOST_PACKED_CELLS_PER_BYTE, ALWAYS_ALLOWED_CELLS = 1, 100, 50_000_000

_MAGIC = {b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstd", b"BZh": "bz2"}
_TEXT_CONTROLS = frozenset(b"\t\n\r\f\x1a")


def compression(path: Path) -> str | None:
    """Name of the compression by the first bytes, None for plain files."""
    with path.open("rb") as file:
        first = file.read(4)
    return next((name for magic, name in _MAGIC.items() if first.startswith(magic)), None)


def open_bytes(path: Path) -> pa.NativeFile:
    """The file's bytes as a stream, decompressed where needed."""
    # Arrow itself opens no name that is not UTF-8
    return pa.input_stream(path.open("rb"), compression=compression(path))


def check_unpacked(path: Path, cells: int, *, packed: bool) -> None:
    """Refuse, by `LogError`, a file that holds far more cells than a log of its size can."""
    most = MOST_PACKED_CELLS_PER_BYTE if packed else MOST_CELLS_PER_BYTE
    if cells > ALWAYS_ALLOWED_CELLS and cells > most * path.stat().st_size:
        raise LogError(
            f"{path}: its {path.stat().st_size / 1e6:.1f} MB hold more than {cells / 1e6:.0f} million cells, "
            "nearly all of them blank or the same: that is no log of a sensor. Export it again."
        )


def read_head(path: Path, size: int = HEAD_BYTES) -> bytes:
    """The first bytes, decompressed; `LogError` if a compressed file is damaged."""
    try:
        with open_bytes(path) as stream:
            return bytes(stream.read(size))
    except OSError as error:
        raise LogError(
            f"{path}: is damaged: {str(error).splitlines()[0]} Copy it from the logger again."
        ) from None


def detect_encoding(head: bytes) -> str | None:
    """Python codec of a text by its first bytes: byte order mark, UTF-16 zeros, UTF-8, else Latin-1; None if no text.

    >>> detect_encoding("Zeit;Weg °".encode("latin-1"))
    'latin-1'
    """
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    zeros = (head[0::2].count(0), head[1::2].count(0))
    if sum(zeros):
        half = len(head) // 2
        if zeros[0] == 0 and zeros[1] > 0.7 * half:
            return "utf-16-le"
        if zeros[1] == 0 and zeros[0] > 0.7 * half:
            return "utf-16-be"
        return None
    if any(byte < 32 and byte not in _TEXT_CONTROLS for byte in set(head)):
        return None
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def head_lines(head: bytes, encoding: str, *, whole: bool) -> list[str]:
    """Lines of the head without line ends; the last is left out unless the head is the ``whole`` file."""
    text = codecs.getincrementaldecoder(encoding)("replace").decode(head)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if not whole or lines[-1] == "":
        lines.pop()
    return lines
