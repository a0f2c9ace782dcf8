"""Long tables reach the browser as HTML: the same words, links and headings as the components say."""

import json
from html.parser import HTMLParser

from dash import dcc, html
from plotly.utils import PlotlyJSONEncoder

from dashboard.pages import parts
from dashboard.tables import LONG, to_html, with_html_tables


def sent(component):
    """A component as Dash sends it."""
    return json.loads(json.dumps(component, cls=PlotlyJSONEncoder))


def a_table(rows, cell):
    return sent(
        parts.table(["Lap", "Corner <1> & 2"], [[f"lap {k}", cell(k)] for k in range(rows)], "What it is")
    )


class Read(HTMLParser):
    """Tags with their attributes, and texts, by the HTML parser of the standard library."""

    def __init__(self, markup):
        super().__init__()
        self.tags, self.texts, self.open = [], [], []
        self.feed(markup)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, text):
        self.texts.append(text)


def test_a_long_table_is_one_component_with_every_cell():
    rows = LONG

    def link(k):
        return html.A(f"{k} < *{k}*\n\n", href=f"/?a={k}&b=1", className="in")

    answer = with_html_tables({"response": {"x": {"children": a_table(rows, link)}}})
    box = answer["response"]["x"]["children"]
    assert box["type"] == "Div" and box["props"]["role"] == "region"
    only = box["props"]["children"]
    assert (only["type"], only["namespace"]) == ("Markdown", "dash_core_components")
    read = Read(only["props"]["children"])
    assert "\n" not in only["props"]["children"] and not read.open
    links = [given for tag, given in read.tags if tag == "a"]
    assert links == [{"href": f"/?a={k}&b=1", "class": "in"} for k in range(rows)]
    assert [text.strip() for text in read.texts] == [
        "What it is", "Lap", "Corner <1> & 2", *(text for k in range(rows) for text in (f"lap {k}", f"{k} < *{k}*"))
    ]  # fmt: skip
    assert [given for tag, given in read.tags if tag == "th"] == [{"scope": "col"}] * 2 + [
        {"scope": "row"}
    ] * rows


def test_a_short_table_and_one_that_callbacks_know_stay_components():
    short = a_table(3, str)
    assert with_html_tables(short) == short
    for known in (
        lambda k: html.Span(str(k), id=f"cell-{k}"),
        lambda k: dcc.Link(str(k), href="/"),
        lambda k: html.Select([html.Option("fork")], name=f"meaning-{k}"),
    ):
        table = a_table(LONG, known)
        assert with_html_tables(table) == table


def test_nothing_that_a_log_says_becomes_html():
    cell = sent(html.Td('<script>alert("x")</script>', title='"><b>', hidden=False))
    assert to_html(cell) == (
        '<td title="&#34;&gt;&lt;b&gt;">&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;</td>'
    )
