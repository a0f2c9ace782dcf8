"""All routes that write. Host, origin, own header and key are checked before by `dashboard.guard`."""

from collections.abc import Callable
from functools import wraps
from typing import Any

import flask
from werkzeug.exceptions import BadRequest

from dashboard.desk.adding import Faults
from dashboard.desk.desk import MOST_FIELDS, MOST_LETTERS, Desk
from dashboard.guard import WRITING
from telemetry.errors import BothEndsError

Work = Callable[..., Any]
Post = Callable[[str], Callable[[Work], Work]]
_GONE = "This work is over, or the server was started again."


def register(server: flask.Flask, desk: Desk) -> None:
    """Add the writing routes to a server."""

    def post(rule: str) -> Callable[[Work], Work]:
        return lambda work: server.post(f"{WRITING}{rule}", endpoint=f"write {rule}")(_told(work))

    @server.get("/job/<name>")
    def job(name: str) -> Any:
        told = desk.jobs.told(name)
        return told or {"state": "failed", "words": _GONE}

    @post("job/<name>/stop")
    def stop_job(name: str) -> Any:
        desk.jobs.stop(name)
        return {}

    @post("logbook")
    def own_logbook() -> Any:
        return {"then": desk.start_own_logbook()}

    _of_a_log(post, desk)
    _of_a_run(post, desk)


def _of_a_log(post: Post, desk: Desk) -> None:
    """Bringing a log in: its bytes, then what is said of it."""

    @post("upload")
    def begin() -> Any:
        said = _said()
        size = said.get("size", "")
        return {"token": desk.begin(said.get("name", ""), int(size) if size.isdecimal() else 0)}

    @post("upload/<token>/<int:offset>")
    def piece(token: str, offset: int) -> Any:
        return desk.append(token, offset, flask.request.stream)

    @post("upload/<token>/stop")
    def stop_upload(token: str) -> Any:
        desk.drafts.stop(token)
        return {}

    @post("draft/<token>")
    def save(token: str) -> Any:
        desk.save(token, _said())
        return {"words": "kept"}

    @post("draft/<token>/bike")
    def bike(token: str) -> Any:
        return desk.bike_text(token, _said())

    @post("draft/<token>/review")
    def review(token: str) -> Any:
        return {"job": desk.review(token, _said())}

    @post("draft/<token>/discard")
    def discard(token: str) -> Any:
        return {"then": desk.throw_away(token)}


def _of_a_run(post: Post, desk: Desk) -> None:
    """What is written about a run that is there."""

    @post("run/<run_id>/words")
    def words(run_id: str) -> Any:
        desk.set_words(run_id, _said())
        return {"words": "Kept.", "then": f"/edit?run={run_id}"}

    @post("run/<run_id>/again")
    def again(run_id: str) -> Any:
        return desk.again(run_id, _said())

    @post("run/<run_id>/sheet")
    def sheet(run_id: str) -> Any:
        return desk.set_sheet(run_id, _said())

    @post("run/<run_id>/back")
    def go_back(run_id: str) -> Any:
        return {"then": desk.go_back(run_id, _said())}

    @post("run/<run_id>/bin")
    def to_bin(run_id: str) -> Any:
        return {"then": desk.to_bin(run_id, _said())}

    @post("try/<run_id>")
    def try_change(run_id: str) -> Any:
        return {"job": desk.try_change(run_id, _said())}

    @post("plan/<key>")
    def plan(key: str) -> Any:
        return {"then": desk.set_plan(key, _said())}

    @post("rider/<run_id>")
    def rider(run_id: str) -> Any:
        return {"then": desk.rider_says(run_id, _said())}

    @post("ticks/<run_id>")
    def tick(run_id: str) -> Any:
        said = _said()
        desk.logbook.tick(run_id, said.get("check", ""), on=said.get("on") == "yes")
        return {"words": "kept"}

    @post("bin/<run_id>/back")
    def from_bin(run_id: str) -> Any:
        return {"then": desk.from_bin(run_id)}


def _told(work: Callable[..., Any]) -> Callable[..., Any]:
    """Answer what cannot be used in its own words, by field where it belongs to one: nothing was written then."""

    @wraps(work)
    def answer(**given: Any) -> Any:
        try:
            return work(**given)
        except Faults as error:
            return {"faults": error.faults}
        except BothEndsError as error:
            return {"message": str(error)}

    return answer


def _said() -> dict[str, str]:
    """The fields of a form. 400 for anything else than a few short texts by name."""
    data = flask.request.get_json(silent=True)
    if not isinstance(data, dict) or len(data) > MOST_FIELDS:
        raise BadRequest("This is no form of this page.")
    if not all(isinstance(key, str) and isinstance(text, str) for key, text in data.items()):
        raise BadRequest("This is no form of this page.")
    if sum(len(key) + len(text) for key, text in data.items()) > MOST_LETTERS:
        raise BadRequest("This form holds more than a form can.")
    return data
