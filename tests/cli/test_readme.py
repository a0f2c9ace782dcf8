"""README prints what the commands print: word for word, numbers to the last digit or so."""

import pytest
from readme_tour import README, SHOWN, blocks, printed, shown

BLOCKS = {block.name: block for block in blocks(README.read_text(encoding="utf-8"))}


def a_number(word):
    try:
        return float(word.strip("(),;:%").replace("−", "-"))
    except ValueError:
        return None


def test_every_block_of_the_tour_is_there():
    assert set(BLOCKS) == set(SHOWN)


@pytest.mark.parametrize("name", SHOWN)
def test_the_tour_shows_what_is_printed(name):
    ours = BLOCKS[name].text.split()
    theirs = shown(name, printed(BLOCKS[name].command)).split()
    unlike = [
        (a, b)
        for a, b in zip(ours, theirs, strict=False)
        if a != b and (a_number(a) is None or a_number(b) != pytest.approx(a_number(a), rel=0.02, abs=0.011))
    ]
    assert not unlike, "write it anew: python tests/cli/readme_tour.py"
    assert len(ours) == len(theirs)
