"""Views of the dashboard, asked of the server in process: zooms with their CPU and bytes, and memory after many pages.

    python views.py zoom|serve LOGBOOK

Prints one line of JSON. Runs on the code that the import path names, so that two versions can be compared.
"""

import gzip
import json
import random
import resource
import statistics
import sys
import time
from pathlib import Path

from dashboard.app import create_app
from telemetry.logbook import Logbook

ZOOMS, VIEWS = 60, 200
GZIP = {"Accept-Encoding": "gzip"}


def resident_mib() -> float:
    """Memory of this process now (of its peak where the system does not say). [MiB]"""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmRSS"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


class Browser:
    """What Dash's script asks of the server."""

    def __init__(self, logbook: Logbook) -> None:
        self.app = create_app(logbook)
        self.client = self.app.server.test_client()
        self.client.get("/", headers={"Host": "localhost"})
        self.client.get("/_dash-dependencies", headers={"Host": "localhost"})

    def post(self, output: str, inputs: list, state: list) -> tuple[float, int]:
        """CPU and bytes of one answer, packed as a browser gets it (here, where the server does not). [s, bytes]"""
        told = self.app.callback_map[output]
        ends = output.strip(".").split("...")
        outputs = [dict(zip(("id", "property"), end.rsplit(".", 1), strict=True)) for end in ends]
        asked = {
            "output": output,
            "outputs": outputs if output.startswith("..") else outputs[0],
            "inputs": [{**one, "value": value} for one, value in zip(told["inputs"], inputs, strict=True)],
            "changedPropIds": [f"{told['inputs'][0]['id']}.{told['inputs'][0]['property']}"],
            "state": [{**one, "value": value} for one, value in zip(told["state"], state, strict=True)],
        }
        began = time.process_time()
        answer = self.client.post(
            "/_dash-update-component", json=asked, headers={"Host": "localhost", **GZIP}
        )
        used = time.process_time() - began
        if answer.status_code != 200:
            raise SystemExit(f"{output[:60]}: {answer.status_code} {answer.text[:200]}")
        packed = answer.headers.get("Content-Encoding") == "gzip"
        return used, len(answer.data if packed else gzip.compress(answer.data, 5))

    def output(self, of: str, *, given: str) -> str | None:
        """The callback that changes one property when another is given; None where there is none."""
        for name, told in self.app.callback_map.items():
            if of in name and any(f"{one['id']}.{one['property']}" == given for one in told["inputs"]):
                return str(name)
        return None

    def zoom(self, run_id: str, start: float, end: float) -> tuple[float, int]:
        """Another stretch of the whole run, of both long pictures. [s, bytes]"""
        wanted = [self.output(f"{name}.figure", given=f"{name}-want.data") for name in ("travel", "trace")]
        if all(wanted):
            search = f"?run={run_id}&lap=whole&from={start!r}&to={end!r}"
            said = {"search": search, "screen": "light", "only_zoom": True}
            each = [self.post(output, [said], []) for output in wanted if output]
            return sum(seconds for seconds, _ in each), sum(size for _, size in each)
        output = self.output("travel.figure", given="travel.relayoutData")  # one callback for both, once
        assert output is not None
        state = [{"search": f"?run={run_id}&lap=whole", "screen": "light"}]
        return self.post(output, [{"xaxis.range[0]": start, "xaxis.range[1]": end}, None], state)


def zooms(browser: Browser, run_id: str, duration_s: float) -> dict[str, float]:
    """Zooms of every width over the whole run."""
    chance = random.Random(1)
    used, sizes = [], []
    for _ in range(ZOOMS + 1):
        width = duration_s * 10 ** -chance.uniform(0.0, 4.0)
        start = chance.uniform(0.0, duration_s - width)
        seconds, size = browser.zoom(run_id, start, start + width)
        used.append(1e3 * seconds)
        sizes.append(size / 1e3)
    first, used = used[0], used[1:]
    return {
        "first zoom [ms]": first,
        "p50 [ms]": statistics.median(used),
        "p95 [ms]": statistics.quantiles(used, n=20)[-1],
        "largest answer in gzip [kB]": max(sizes),
        "resident [MiB]": resident_mib(),
    }


def views(browser: Browser, run_id: str) -> dict[str, float]:
    """Pages and debriefs of the run, over and over."""
    output = browser.output("page.children", given="url.pathname")
    assert output is not None
    pages = [
        ("/", "&lap=whole"),
        ("/", ""),
        ("/balance", ""),
        ("/rider", ""),
        ("/", "&at=shaft"),
        ("/compare", ""),
    ]
    found, used = {}, []
    for number in range(VIEWS):
        if number % 10 == 9:
            browser.client.get(f"/debrief/{run_id}", headers={"Host": "localhost"})
        else:
            path, more = pages[number % len(pages)]
            used.append(browser.post(output, [path, f"?run={run_id}{more}"], ["light"])[0])
        if number in (0, 9, 19, 99, 199):
            found[f"resident after {number + 1} [MiB]"] = resident_mib()
    found["page cold [s]"], found["page p50 [s]"] = used[0], statistics.median(used)
    found["peak [MiB]"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return found


if __name__ == "__main__":
    part, where = sys.argv[1:]
    book = Logbook(where)
    run = book.runs()[0].run_id
    browser = Browser(book)
    figures = zooms(browser, run, book.summary(run).run.duration_s) if part == "zoom" else views(browser, run)
    print(json.dumps(figures))
