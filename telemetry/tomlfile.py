"""Files a person writes: read as TOML, and everything that a check found wrong with them."""

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from telemetry.errors import BikeFileError

Key = tuple[int | str, ...]
TO_FILL_IN = "?"  # stands in a new file where a person has to write a value


def read_toml(path: Path, *, what: str) -> dict[str, Any]:
    """The keys of a TOML file.

    Parameters
    ----------
    path : Path
    what : str
        What it should be, for messages: ``"bike file"``.

    Returns
    -------
    dict

    Raises
    ------
    BikeFileError
        If it is missing, cannot be read, is not text or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BikeFileError(f"{path}: no such {what}; check the path.") from None
    except OSError as error:
        raise BikeFileError(f"{path}: cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise BikeFileError(f"{path}: is not a text file; a {what} is TOML in UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise BikeFileError(f"{path}: is not valid TOML ({error}).") from None


def file_error(
    error: ValidationError, source: str, *, unknown_key: Callable[[Key], str], no_keys: tuple[str, ...] = ()
) -> BikeFileError:
    """Everything that is wrong with a file: key, what is allowed, what was given.

    Parameters
    ----------
    error : ValidationError
    source : str
        The file.
    unknown_key : callable
        What to say of a key that does not exist.
    no_keys : tuple of str
        Parts of pydantic's path that are no keys of the file.

    Returns
    -------
    BikeFileError
        One line, and the faults one by one.
    """
    faults = []
    for item in error.errors():
        key = ".".join(str(part) for part in item["loc"] if part not in no_keys)
        message = item["msg"].removeprefix("Value error, ")
        if item["type"] == "implausible":  # begins with the value
            faults.append(f"{key} {message}")
            continue
        if item["type"] == "extra_forbidden":
            message = unknown_key(item["loc"])
        elif item["type"] == "missing":
            message = "is missing"
        elif item["input"] == TO_FILL_IN:
            message = "is still to be filled in"
        elif not isinstance(item["input"], dict):
            message = f"{message} (given: {str(item['input'])[:60]})"
        faults.append(f"{key}: {message}" if key else message)  # of several keys: the message names them
    return BikeFileError(
        f"{source}: {_sentence('; '.join(faults))}", file=source, faults=tuple(map(_sentence, faults))
    )


def _sentence(words: str) -> str:
    return words if words.endswith("?") else f"{words}."
