"""Which column means what, as a person confirmed it, kept for the next log of the same shape."""

import hashlib
import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from telemetry.logs.rawlog import RawLog

CONFIG_VARIABLE = "BOTHENDS_CONFIG"
FILE_NAME = "channels.json"


def config_directory() -> Path:
    """Where settings of this user are kept: ``$BOTHENDS_CONFIG``, else where the system keeps such things.

    References
    ----------
    .. [1] XDG Base Directory Specification, 0.8; elsewhere the customs of the system.
    """
    if override := os.environ.get(CONFIG_VARIABLE):
        return Path(override)
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming") / "bothends"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "bothends"
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "bothends"


def shape(log: RawLog) -> str:
    """What logs of the same logger and set-up share: names and units of the columns."""
    columns = sorted((name, log.units.get(name, "")) for name in log.columns)
    return hashlib.sha256(json.dumps(columns).encode()).hexdigest()[:16]


def recall(log: RawLog) -> Mapping[str, str]:
    """The columns by meaning that were confirmed for a log of this shape.

    Returns
    -------
    mapping of str to str
        Empty where nothing is remembered, or what is cannot be read.
    """
    known = _load(config_directory() / FILE_NAME).get(shape(log))
    if not isinstance(known, dict):
        return {}
    return {str(key): value for key, value in known.items() if value in log.columns}


def remember(log: RawLog, channels: Mapping[str, str]) -> Path | None:
    """Keep the columns by meaning for logs of this shape, in one step: the file is as before or complete.

    Parameters
    ----------
    channels : mapping of str to str
        Column by meaning; they are added to what is remembered for this shape. "" forgets one.

    Returns
    -------
    pathlib.Path or None
        The file; None where it cannot be written. Nothing depends on it.
    """
    path = config_directory() / FILE_NAME
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    known = _load(path)
    known[shape(log)] = {key: column for key, column in {**recall(log), **channels}.items() if column}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(json.dumps(known, indent=1, ensure_ascii=False), encoding="utf-8")
        part.replace(path)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        return None
    return path


def _load(path: Path) -> dict[str, object]:
    try:
        known = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}
