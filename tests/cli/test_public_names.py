"""What ``import telemetry`` offers, and that it costs nothing until used."""

import subprocess
import sys

import pytest

import telemetry


@pytest.mark.parametrize("name", telemetry.__all__)
def test_every_public_name_is_there(name):
    assert getattr(telemetry, name) is not None
    assert name in dir(telemetry)


def test_the_module_of_the_review_keeps_its_name():
    import telemetry.review as module

    assert telemetry.review_log is module.review


def test_importing_the_package_loads_nothing_heavy():
    code = "import sys, telemetry\nassert not {'numpy', 'scipy', 'pydantic'} & set(sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        telemetry.nothing  # noqa: B018


def test_the_version_is_the_installed_one():
    from importlib.metadata import version

    assert telemetry.__version__ == version("bothends")
