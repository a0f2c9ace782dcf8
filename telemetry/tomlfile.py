"""Files a person writes: read as TOML, and everything that a check found wrong with them."""

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from telemetry.errors import BikeFileError
from telemetry.plaintext import fault_in

# In mm, N, kg or any other unit of these files nothing comes near it; squared it is still a number.
MOST = 1e12

Key = tuple[int | str, ...]
TO_FILL_IN = "?"  # stands in a new file where a person has to write a value


def read_toml(path: Path, *, what: str) -> dict[str, Any]:
    """The keys of a TOML file.

    Parameters
    ----------
    what : str
        What it should be, for messages: ``"bike file"``.

    Raises
    ------
    BikeFileError
        If it is missing, cannot be read, is not text or is not TOML, a text in it holds control characters, or a number
        is beyond reason.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        found = _first_fault(data)
    except FileNotFoundError:
        raise BikeFileError(f"{path}: no such {what}; check the path.") from None
    except OSError as error:
        raise BikeFileError(f"{path}: cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise BikeFileError(f"{path}: is not a text file; a {what} is TOML in UTF-8.") from None
    except RecursionError:
        raise BikeFileError(
            f"{path}: is not a {what}: brackets or keys stand in one another hundreds deep."
        ) from None
    except ValueError as error:  # also a number with thousands of digits
        reason = str(error).split(";")[0]
        raise BikeFileError(f"{path}: is not valid TOML ({reason}).") from None
    if found:
        raise BikeFileError(f"{path}: {found}.")
    return data


def _first_fault(value: Any, key: str = "") -> str | None:
    """The first text or key that holds what no terminal should get, or number beyond reason, and what is wrong."""
    if isinstance(value, str):
        fault = fault_in(value)
        return f"{key}: {fault}" if fault else None
    if isinstance(value, int | float) and abs(value) > MOST:
        return f"{key}: {str(value)[:20]} is beyond any number that such a file holds"
    if isinstance(value, dict):
        for name, inner in value.items():
            if fault := fault_in(name):
                return f"a key in {key or 'it'} {fault}"
            if found := _first_fault(inner, f"{key}.{name}" if key else name):
                return found
    if isinstance(value, list):
        return next((found for inner in value if (found := _first_fault(inner, key))), None)
    return None


def file_error(
    error: ValidationError, source: str, *, unknown_key: Callable[[Key], str], no_keys: tuple[str, ...] = ()
) -> BikeFileError:
    """Everything that is wrong with a file: key, what is allowed, what was given.

    Parameters
    ----------
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
