from hypothesis import given
from hypothesis import strategies as st

from dashboard.urlstate import View, parse, to_query

IDS = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}", fullmatch=True)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
ZOOMS = st.none() | st.tuples(NUMBERS, NUMBERS).filter(lambda pair: pair[0] < pair[1])
VIEWS = st.builds(
    View,
    run=st.just("") | IDS,
    other=st.just("") | IDS,
    lap=st.sampled_from(["worst", "whole"]) | st.integers(0, 9999),
    plane=st.sampled_from(["wheel", "shaft"]),
    against=st.sampled_from(["distance", "time"]),
    zoom=ZOOMS,
    metric=st.sampled_from(["", "rear.travel.max_mm"]),
    by=st.sampled_from(["circuit", "bike", "date"]),
    bike=st.sampled_from(["", "QB-6 & co, 50 %"]),
)


@given(VIEWS)
def test_what_is_written_is_read_back(view):
    assert parse(to_query(view)) == view


@given(st.text())
def test_any_text_gives_a_view(text):
    view = parse(text)
    assert parse(to_query(view)) == view


@given(
    st.dictionaries(
        st.sampled_from(["run", "other", "lap", "at", "against", "from", "to", "by", "bike"]), st.text()
    )
)
def test_any_values_give_a_view(values):
    from urllib.parse import urlencode

    view = parse("?" + urlencode(values))
    assert view.zoom is None or view.zoom[0] < view.zoom[1]
    assert "/" not in view.run and "\\" not in view.run


def test_a_bare_address_is_the_default():
    assert parse(None) == parse("") == parse("?") == View()
    assert to_query(View()) == ""


def test_what_cannot_be_meant_is_left_out():
    assert parse("?run=../../etc/passwd").run == ""
    assert parse("?run=a&run=b").run == "a"
    assert parse("?lap=-1").lap == parse("?lap=two").lap == parse("?lap=99999").lap == "worst"
    assert parse("?lap=٣").lap == "worst"
    assert parse("?from=5&to=1").zoom is parse("?from=nan&to=2").zoom is parse("?from=0&to=inf").zoom is None
    assert parse("?" + "&".join("a=1" for _ in range(1000))) == View()
