import base64
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dashboard import scene as scenes
from dashboard import theme
from dashboard.figures import along, compare, track
from dashboard.figures.document import drawn as drawn_figure
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.report import Scope, whole_run
from telemetry.report import figures as pictures
from telemetry.report.figures import faster_picture
from telemetry.report.lap import TravelPicture, track_picture, travel_picture
from tests.dashboard.made_balance import REAR_SHARE, with_balance
from tests.dashboard.made_up import BOTTOM_AT_M, CORNERS, LAP_M, LAP_S, RING_AT_M, MadeUpLogbook, made_up


def scene_of(made, **view):
    shelf = Shelf(MadeUpLogbook(made))
    return shelf, scenes.open_scene(shelf, View(run=made.entry.run_id, **view))


def values(packed):
    return np.frombuffer(base64.b64decode(packed["bdata"]), np.dtype(packed["dtype"]).newbyteorder("<"))


@pytest.fixture(scope="module")
def lap():
    return scene_of(made_up(), lap=2)


@pytest.fixture(scope="module")
def mirrored(lap):
    return along.mirrored_travel(travel_picture(lap[1]), theme.LIGHT)


def test_front_is_above_the_line_and_rear_below_it_on_one_scale(mirrored):
    layout = mirrored.layout
    assert layout.yaxis.domain[0] == layout.yaxis2.domain[1]
    assert layout.yaxis.range[0] == layout.yaxis2.range[1] == 0
    assert layout.yaxis.range[1] == layout.yaxis2.range[0] > 0
    assert [line.name for line in mirrored.data[:3]] == ["front", "rear", "road speed"]
    assert mirrored.data[0].yaxis == "y" and mirrored.data[1].yaxis == "y2"


def test_all_panels_share_one_axis(mirrored):
    assert {line.xaxis for line in mirrored.data} <= {None, "x"}
    assert mirrored.layout.hovermode is False, "the read-out stands in a line of the page, not over the data"
    assert mirrored.layout.meta["along"]


def test_no_words_stand_on_the_data(mirrored):
    """Names of panels and corner numbers are outside of the panels: beside them or above."""
    names = [note for note in mirrored.layout.annotations if note.xref == "paper"]
    assert len(names) == 3 and all(note.x > 1 and note.xanchor == "left" for note in names)
    corners = [note for note in mirrored.layout.annotations if note.text in "1234"]
    assert len(corners) == 4 and all(note.y == 1.0 and note.yanchor == "bottom" for note in corners)


def test_the_usual_lap_is_a_band_behind_the_line(lap):
    """Nine of ten samples lie in it, counted here one by one."""
    shelf, scene = lap
    usual = shelf.usual(scene.view.run, "wheel")
    drawn = {
        line.name: line for line in along.mirrored_travel(travel_picture(scene, usual), theme.LIGHT).data
    }
    assert drawn["front, usual most"].fill == "tonexty"
    assert drawn["front, usual most"].zorder < drawn["front"].zorder
    column = scene.column
    laps = [one.lap for one in scene.summary.laps if one.complete]
    bin_m = float(usual.distance_m[1] - usual.distance_m[0])
    for at in (10, 60, 120):
        low_m = usual.distance_m[at] - bin_m / 2
        there = (
            np.isin(column("lap"), laps)
            & (column("distance_m") >= low_m)
            & (column("distance_m") < low_m + bin_m)
        )
        values_mm = column("front_wheel_mm")[there]
        inside = (values_mm >= usual.low_mm["front"][at]) & (values_mm <= usual.high_mm["front"][at])
        assert 0.85 <= inside.mean() <= 0.97


def test_a_spike_does_not_flatten_a_panel():
    quiet = np.sin(np.linspace(0, 60, 5000)) * 100
    spiky = quiet.copy()
    spiky[2500] = 2300.0
    low, high = along.robust_range([spiky])
    assert high < 300 and low == pytest.approx(along.robust_range([quiet])[0], rel=0.1)
    low, high = along.robust_range([quiet])
    assert low < -100 and high > 100, "without a spike nothing is cut"


def test_time_above_a_speed_is_that_of_the_samples(lap):
    shelf, scene = lap
    speed = scene.samples("front_wheel_mm_s")
    picture = faster_picture(scene)
    line = next(line for line in picture.lines if line.end == "front")
    known = speed[np.isfinite(speed)]
    for at in (50.0, 100.0):
        place = int(np.argmin(np.abs(line.x - at)))
        assert line.y[place] == pytest.approx(100 * np.mean(known > line.x[place]), abs=0.3)
    assert picture.log_y and min(line.y) >= picture.y_range[0]


def test_stops_are_marked_where_they_are(mirrored):
    marks = {line.name: line for line in mirrored.data}
    for end, symbol in (("front", "triangle-up"), ("rear", "triangle-down")):
        mark = marks[f"{end} bottomed"]
        assert mark.marker.symbol == symbol
        assert list(mark.x) == pytest.approx([BOTTOM_AT_M[end]], abs=12.0)


def test_an_unsettled_stretch_is_boxed_in_the_rear_half(mirrored):
    boxes = [s for s in mirrored.layout.shapes if s.fillcolor == theme.LIGHT.unsettled_fill]
    assert [(b.x0, b.x1) for b in boxes] == [pytest.approx(RING_AT_M, abs=1.0)]
    assert (boxes[0].y0, boxes[0].y1) == along.PANELS["rear"]


def test_corners_are_numbered_along_the_axis(mirrored):
    bands = [s for s in mirrored.layout.shapes if s.fillcolor == theme.LIGHT.corner_fill]
    assert [(b.x0, b.x1) for b in bands] == [(start, end) for start, _, end in CORNERS]
    written = [note.text for note in mirrored.layout.annotations]
    assert written[:4] == ["1", "2", "3", "4"]


def test_masked_samples_are_shown_as_such(mirrored):
    grey = [s for s in mirrored.layout.shapes if s.fillcolor == theme.LIGHT.masked_fill]
    assert (
        len(grey) == 1 and grey[0].x0 == pytest.approx(800, abs=1) and grey[0].x1 == pytest.approx(830, abs=1)
    )


def test_at_the_shaft_each_half_has_its_own_stroke():
    shelf, scene = scene_of(made_up(), lap=1, plane="shaft")
    drawn = along.mirrored_travel(travel_picture(scene), theme.DARK)
    assert drawn.layout.yaxis.range[1] == pytest.approx(125 * along.HEADROOM)
    assert drawn.layout.yaxis2.range[0] == pytest.approx(70 * along.HEADROOM)


def test_a_zoom_draws_every_sample_of_it(lap):
    shelf, scene = lap
    drawn = along.mirrored_travel(travel_picture(scene), theme.LIGHT, (400.0, 420.0))
    x = values(drawn.to_plotly_json()["data"][0]["x"])
    inside = (scene.stretch.x >= 400) & (scene.stretch.x <= 420)
    assert len(x) == np.count_nonzero(inside) + 2
    assert list(drawn.layout.xaxis.range) == [400.0, 420.0]


def test_a_zoom_is_cut_to_the_axis():
    x = np.linspace(10, 20, 50)
    assert along.within((5.0, 12.0), x) == (10.0, 12.0)
    assert along.within((-1e300, 1e300), x) is along.within((30.0, 40.0), x) is along.within(None, x) is None


def test_a_whole_run_shows_its_laps():
    shelf, scene = scene_of(made_up(), lap="whole")
    picture = travel_picture(scene)
    assert picture.x_title == "time [s]"
    assert [band.label for band in picture.dividers] == ["", "lap 1", "lap 2", "lap 3", ""]
    assert picture.dividers[1].x0 == pytest.approx(LAP_S / 2)
    assert len(picture.unsettled) == 3


def test_along_time_corners_lie_where_the_lap_was_there():
    shelf, scene = scene_of(made_up(), lap=1, against="time")
    bands = travel_picture(scene).corners
    assert bands[0].x0 == pytest.approx(CORNERS[0][0] / 40, abs=0.05)  # 1600 m in 40 s


def test_a_missing_end_is_said_to_be_missing():
    shelf, scene = scene_of(made_up(ends=("front",)), lap=1)
    drawn = along.mirrored_travel(travel_picture(scene), theme.LIGHT)
    assert any("judged" in note.text and "rear" in note.text for note in drawn.layout.annotations)
    assert [line.name for line in drawn.data][:2] == ["front", "road speed"]


def test_an_empty_log_still_makes_pictures():
    shelf, scene = scene_of(made_up(laps=0, gps=False, distance=False))
    assert along.mirrored_travel(travel_picture(scene), theme.LIGHT).data
    assert track.track_map(track_picture(scene), theme.LIGHT).data
    nothing = TravelPicture(np.array([]), {}, {}, "time [s]")
    assert list(along.mirrored_travel(nothing, theme.LIGHT).layout.xaxis.range) == [0.0, 1.0]


def test_histograms_are_back_to_back_with_the_shares_of_the_review(lap):
    _, scene = lap
    found = {end: at.end.shaft.speed_histogram for end, at in scene.judged.items()}
    split = replace(scene.summary, bike_values={"front.speed_split_mm_s": 150.0})
    drawn = drawn_figure(pictures.speed_picture(Scope(split, scene.lap, "shaft")), theme.LIGHT)
    front, rear = drawn.data[0], drawn.data[1]
    assert (front.yaxis, rear.yaxis) == ("y", "y2")
    np.testing.assert_allclose(front.y[::2], 100 * np.array(found["front"].share))
    np.testing.assert_allclose(front.x[::2], found["front"].edges[:-1])
    assert drawn.layout.yaxis.range == (0, pytest.approx(drawn.layout.yaxis2.range[0]))
    assert drawn.layout.xaxis.range[0] == -drawn.layout.xaxis.range[1]
    assert sorted(s.x0 for s in drawn.layout.shapes if s.line.color == theme.LIGHT.front) == [-150.0, 150.0]


def test_each_half_repeats_the_other_end_as_an_outline(lap):
    _, scene = lap
    drawn = drawn_figure(pictures.speed_picture(scene), theme.LIGHT)
    outline = drawn.data[2]
    assert outline.yaxis == "y" and outline.line.color == theme.LIGHT.rear
    share = scene.ends["rear"].wheel.speed_histogram.share
    assert max(outline.y) == pytest.approx(100 * max(share))


def test_travel_use_has_the_values_of_the_review(lap):
    _, scene = lap
    drawn = drawn_figure(pictures.use_picture(scene), theme.LIGHT)
    travel_mm = scene.ends["front"].wheel.travel
    lines = {shape.x0 for shape in drawn.layout.shapes if shape.type == "line" and shape.x0 == shape.x1}
    assert {travel_mm.max_mm, travel_mm.median_mm, travel_mm.p95_mm} <= lines
    assert not any("median" in note.text for note in drawn.layout.annotations), "the table has the words"


@pytest.mark.parametrize("ends", [(), ("front",), ("rear",)])
def test_histograms_of_fewer_ends(ends):
    drawn = drawn_figure(pictures.speed_picture(whole_run(made_up(ends=ends).summary)), theme.LIGHT)
    missing = [note.text for note in drawn.layout.annotations if "not judged" in note.text]
    assert len(missing) == 2 - len(ends)


def test_the_map_marks_stops_and_the_unsettled_stretch_on_the_line(lap):
    shelf, scene = lap
    picture = track_picture(scene)
    line = np.stack([picture.x_m, picture.y_m])
    for spot in picture.spots:
        off = np.hypot(line[0] - spot.x_m, line[1] - spot.y_m).min()
        assert off < 2.0, spot
    assert {spot.end for spot in picture.spots if spot.kind == "bottomed"} == {"front", "rear"}
    assert len(picture.ribbons) == 1
    drawn = track.track_map(picture, theme.LIGHT)
    assert drawn.layout.yaxis.scaleanchor == "x"
    assert [note.text for note in drawn.layout.annotations] == [f"<b>{n}</b>" for n in range(1, 5)]


def test_corner_numbers_stand_outside_the_loop(lap):
    shelf, scene = lap
    picture = track_picture(scene)
    for label in picture.corners:
        at = np.argmin(np.hypot(picture.x_m - label.x_m, picture.y_m - label.y_m))
        assert np.hypot(label.x_m, label.y_m) > np.hypot(picture.x_m[at], picture.y_m[at])


def test_without_a_position_the_lap_is_a_straight_line():
    shelf, scene = scene_of(made_up(gps=False), lap=1)
    picture = track_picture(scene)
    assert picture.straight == "distance along the lap [m]"
    sides = {spot.end: np.sign(spot.y_m) for spot in picture.spots}
    assert sides == {"front": 1.0, "rear": -1.0}
    assert len(picture.corners) == 4 and len(picture.ribbons) == 1
    assert track.proportions(picture) > 1


def test_without_a_position_all_laps_lie_over_each_other():
    shelf, scene = scene_of(made_up(gps=False), lap="whole")
    picture = track_picture(scene)
    bottomed = [spot.x_m for spot in picture.spots if (spot.end, spot.kind) == ("front", "bottomed")]
    assert bottomed == pytest.approx([BOTTOM_AT_M["front"]] * 4, abs=12.0)
    assert list(picture.x_m) == [0.0, LAP_M] and len(picture.corners) == 4


def test_the_raw_trace_has_a_panel_for_what_there_is(lap):
    channels = scenes.raw_channels(lap[1])
    drawn = along.stacked(channels, lap[1].stretch.x, "x", theme.LIGHT)
    assert [line.name for line in drawn.data] == [
        "front wheel travel", "rear wheel travel", "front wheel speed", "rear wheel speed",
        "pitch, nose down positive", "road speed",
    ]  # fmt: skip
    assert len(along.channel_lines(channels)) == 6
    assert drawn.layout.yaxis2.matches == "y" and drawn.layout.yaxis4.matches == "y3"
    assert drawn.layout.yaxis.domain[0] > drawn.layout.yaxis2.domain[1]
    only = scenes.raw_channels(scene_of(made_up(ends=("rear",), distance=False), lap=1)[1])
    assert [channel.end for channel in only] == ["rear", "rear"]
    assert along.stacked([], lap[1].stretch.x, "x", theme.LIGHT).data == ()


def test_lap_dots_show_every_lap():
    row = compare.Dots(
        "front travel", "higher", ((1, 90.0), (2, 91.0)), ((1, 95.0),), 90.5, 95.0, "front", True
    )
    drawn = compare.lap_dots([row, row], theme.LIGHT, x_title="mm", digits=1, line_at=1.0)
    before, after = drawn.data[0], drawn.data[1]
    assert list(before.x) == [90.0, 91.0] and before.marker.symbol == "circle-open"
    assert list(after.x) == [95.0] and after.marker.symbol == "circle"
    assert drawn.layout.annotations[0].text == "front travel: <b>higher</b>"
    assert (
        compare.lap_dots([], theme.LIGHT, x_title="", digits=1)
        .layout.annotations[0]
        .text.startswith("Not known")
    )


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colours", [theme.LIGHT, theme.DARK], ids=lambda t: t.name)
def test_words_can_be_read_and_lines_be_seen(colours):
    # WCAG 2.2: 4.5 for text (1.4.3), 3 for parts of graphics (1.4.11)
    def contrast(colour, ground):
        high, low = sorted((luminance(colour), luminance(ground)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for name in ("ink", "soft", "front_word", "rear_word", "unsettled"):
        for ground in (colours.paper, colours.sheet):
            assert contrast(getattr(colours, name), ground) >= 4.5, (name, ground)
    for name in ("front", "rear"):
        assert contrast(getattr(colours, name), colours.paper) >= 3.0


def test_the_page_and_the_pictures_have_one_set_of_colours():
    css = (Path(theme.__file__).parent / "assets" / "house.css").read_text()
    used = set(re.findall(r"var\(--([a-z-]+)\)", css))
    known = set(re.findall(r"--([a-z-]+):", theme.css_variables()))
    assert used <= known
    assert not re.findall(r":[^;{]*#[0-9a-fA-F]{3,8}\b", css), "a colour of its own"


@pytest.fixture(scope="module")
def balanced():
    return with_balance(made_up().summary)


def test_the_same_bump_is_drawn_back_to_back_with_the_other_end_repeated(balanced):
    drawn = drawn_figure(pictures.response_picture(balanced.balance.same_bump.response), theme.DARK)
    front, rear, other_in_front, other_in_rear = drawn.data
    assert (front.yaxis, rear.yaxis) == ("y", "y2")
    assert drawn.layout.yaxis.range == drawn.layout.yaxis2.range[::-1]  # one scale, both outwards
    assert max(rear.y) == pytest.approx(REAR_SHARE * max(front.y))
    np.testing.assert_array_equal(other_in_front.y, rear.y)
    assert other_in_front.yaxis == "y" and other_in_rear.yaxis == "y2"
    assert min(front.y) >= drawn.layout.yaxis.range[0]


def test_the_spectrum_is_the_root_of_the_density_and_names_the_bands(balanced):
    drawn = drawn_figure(pictures.spectra_picture(balanced.frequencies), theme.LIGHT)
    front = drawn.data[0]
    place = list(front.x).index(2.5)
    assert front.y[place] == pytest.approx(np.sqrt(900.0))
    assert front.x[-1] <= pictures.HIGHEST_HZ
    boxes = {(shape.x0, shape.x1, shape.y0) for shape in drawn.layout.shapes}
    assert boxes == {(1.5, 4.0, 0.5), (11.0, 18.0, 0.5), (1.5, 4.0, 0.0), (11.0, 18.0, 0.0)}
    assert [note.text for note in drawn.layout.annotations].count("wheel hop") == 2


def test_the_course_has_a_dot_a_lap_with_its_interval(balanced):
    drawn = drawn_figure(pictures.course_picture(balanced.oscillation.course), theme.LIGHT)
    rear = drawn.data[1]
    assert list(rear.x) == [1, 2, 3] and list(rear.y) == pytest.approx([0.35, 0.3, 0.25])
    assert list(rear.error_y.array) == pytest.approx([0.1] * 3)
    assert rear.yaxis == "y2" and drawn.layout.yaxis2.range[0] > 0.45


def test_a_ringing_is_shown_on_one_scale_with_the_front_and_against_healthy_damping(balanced):
    seen = balanced.oscillation.events[0].seen
    drawn = drawn_figure(pictures.ringing_picture(seen), theme.LIGHT)
    front, rear = drawn.data
    assert (front.yaxis, rear.yaxis) == ("y", "y2") and max(rear.y) > 5 * max(front.y)
    assert drawn.layout.yaxis.range == drawn.layout.yaxis2.range[::-1]
    assert rear.x[0] == 60.0 and rear.x[1] - rear.x[0] == pytest.approx(0.02)
    own, healthy = drawn_figure(pictures.spectrum_picture(seen), theme.LIGHT).data
    assert own.x[int(np.argmax(own.y))] == 15.0 and healthy.line.dash == "dash"
