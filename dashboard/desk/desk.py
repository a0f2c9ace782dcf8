"""Functions of the writing routes: each method is one request, which is done completely or not at all."""

import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from dashboard.desk import adding, correcting
from dashboard.desk.adding import preview_apart
from dashboard.desk.jobs import Jobs, Progress
from dashboard.shelf import Shelf
from telemetry.errors import LogbookError
from telemetry.logbook import Drafts, Logbook, is_export, take_in_export
from telemetry.setup import sheet_settings, sheet_text

# A form's fields together; a pasted leverage table or bike file is a few kilobytes. Own choice.
MOST_FIELDS, MOST_LETTERS = 500, 400_000
_READ_ONLY = "These runs can only be read here."


class Desk:
    """The writing side of a shelf.

    Parameters
    ----------
    own_logbook : Path or None
        Where the reader's own logbook is to be; only the demo names one.
    """

    def __init__(self, shelf: Shelf, own_logbook: Path | None = None) -> None:
        self.shelf, self.own_logbook = shelf, own_logbook
        self.jobs = Jobs()
        self._drafts: Drafts | None = None
        self._lock = threading.Lock()

    @property
    def logbook(self) -> Logbook:
        """The logbook to write to. Raises `LogbookError` for runs that are only shown."""
        if not isinstance(self.shelf.logbook, Logbook):
            raise LogbookError(_READ_ONLY)
        return self.shelf.logbook

    @property
    def writes(self) -> bool:
        """Whether there is a logbook to write to."""
        return isinstance(self.shelf.logbook, Logbook)

    @property
    def is_demo(self) -> bool:
        """Whether the runs shown are those of the demo."""
        return self.writes and self.own_logbook is not None and Path(self.logbook.path) != self.own_logbook

    @property
    def drafts(self) -> Drafts:
        """The drafts of the logbook."""
        path = Path(self.logbook.path)
        with self._lock:
            if self._drafts is None or self._drafts.path.parent != path:
                self._drafts = Drafts(path)
            return self._drafts

    def start_own_logbook(self) -> str:
        """Open the reader's own logbook, made when it is missing; returns where to go."""
        if self.own_logbook is None:
            raise LogbookError("This dashboard shows a logbook already; bring logs into it.")
        self.shelf.open(Logbook(self.own_logbook))
        return "/add"

    def begin(self, name: str, size_bytes: int) -> str:
        """Make place for a log; returns its token."""
        return self.drafts.begin(name, size_bytes)

    def append(self, token: str, offset: int, source: BinaryIO) -> dict[str, Any]:
        """Take the next piece of a log; the last one has it read."""
        left = self.drafts.append(token, offset, source)
        if left:
            return {"left": left}
        return {"left": 0, "then": f"/add?draft={token}", "job": self.read(token)}

    def read(self, token: str) -> str:
        """Have a draft's log read for its preview; returns the job."""
        drafts, logbook = self.drafts, self.logbook

        def work(progress: Progress) -> str:
            if is_export(log := drafts.draft(token).log):
                found = take_in_export(logbook, log, progress)
                if found.refused:
                    raise LogbookError(found.words)
                drafts.throw_away(token)
                return "/runs"
            progress("reading the log")
            drafts.preview(token, preview_apart)
            return f"/add?draft={token}"

        return self.jobs.start(f"Reading {drafts.draft(token).name}", work, key=f"read-{token}")

    def save(self, token: str, said: Mapping[str, str]) -> None:
        """Keep a draft's answers."""
        self.drafts.save(token, dict(said))

    def bike_text(self, token: str, said: Mapping[str, str]) -> dict[str, Any]:
        """The bike file of a draft's answers as far as they go, and what is still to be put right."""
        preview = self.drafts.preview(token) or {"columns": [], "meanings": []}
        try:
            columns = adding.columns_said(said, [column["name"] for column in preview["columns"]])
        except adding.Faults:
            columns = {}
        made = adding.bike_of(said, columns, adding.proposals(preview))
        return {"text": made.text, "faults": dict(made.faults)}

    def review(self, token: str, said: Mapping[str, str]) -> str:
        """Check a draft's answers and have its log reviewed and kept; returns the job."""
        drafts, logbook = self.drafts, self.logbook
        preview = drafts.preview(token)
        if preview is None:
            raise LogbookError("The log is still being read.")
        drafts.save(token, dict(said))
        draft, addition = drafts.draft(token), adding.ready(said, preview, logbook)

        def work(progress: Progress) -> str:
            run_id = adding.add(logbook, draft, addition, progress)
            drafts.throw_away(token)
            return f"/?run={run_id}"

        return self.jobs.start(f"Reviewing {draft.name}", work, key=f"review-{token}")

    def throw_away(self, token: str) -> str:
        """Remove a draft; returns where to go."""
        self.drafts.throw_away(token)
        return "/add"

    def set_words(self, run_id: str, said: Mapping[str, str]) -> None:
        """Put right what is said of a run."""
        self.logbook.set_words(run_id, correcting.words_said(said), version=said.get("version", ""))

    def again(self, run_id: str, said: Mapping[str, str]) -> dict[str, Any]:
        """Review a run again with what a form changes; returns the job."""
        logbook, version = self.logbook, said.get("version", "")
        logbook.expect(run_id, version)
        correction = correcting.correction_of(said, logbook, run_id)
        if not correction.changes:
            return {"words": "Nothing was changed."}
        return {"job": self._correct(run_id, correction, version)}

    def _correct(
        self, run_id: str, correction: correcting.Correction, version: str, page: str = "/edit"
    ) -> str:
        logbook = self.logbook

        def work(progress: Progress) -> str:
            return f"{page}?run={correcting.correct(logbook, run_id, correction, version, progress)}"

        return self.jobs.start(f"Reviewing {logbook.entry(run_id).name} again", work)

    def go_back(self, run_id: str, said: Mapping[str, str]) -> str:
        """Undo a step of a run's history; returns where to go."""
        now = correcting.go_back(self.logbook, run_id, said.get("to", ""), said.get("version", ""))
        return f"/edit?run={now}"

    def to_bin(self, run_id: str, said: Mapping[str, str]) -> str:
        """Move a run into the bin; returns where to go."""
        self.logbook.throw_away(run_id, version=said.get("version", ""))
        self.shelf.open(self.logbook)  # nothing of it stays in memory
        return "/runs"

    def from_bin(self, run_id: str) -> str:
        """Put a run from the bin back; returns where to go."""
        self.logbook.take_back(run_id)
        return f"/edit?run={run_id}"

    def set_sheet(self, run_id: str, said: Mapping[str, str]) -> dict[str, Any]:
        """Keep a setup sheet with a run; returns the job."""
        logbook, version = self.logbook, said.get("version", "")
        logbook.expect(run_id, version)
        before = logbook.sheet(run_id)
        text = correcting.sheet_said(said, before, logbook.bike(run_id))
        if before is not None and text == sheet_text(sheet_settings(before)):
            return {"words": "Nothing was changed."}
        return {"job": self._correct(run_id, correcting.Correction(sheet_text=text), version, "/sheet")}

    def rider_says(self, run_id: str, said: Mapping[str, str]) -> str:
        """Keep an answer of the rider; returns where to go."""
        corner, lap = (
            int(text) if (text := said.get(key, "")).isdecimal() else None for key in ("corner", "lap")
        )
        self.logbook.add_rider_word(
            run_id, corner=corner, lap=lap, felt=said.get("felt", ""), text=said.get("text", "")
        )
        return f"/felt?run={run_id}"

    def try_change(self, run_id: str, said: Mapping[str, str]) -> str:
        """Ride a run's laps again with a change and keep the prediction; returns the job."""
        from dashboard.desk import trying  # the prediction compiles

        logbook = self.logbook
        changes = trying.changes_said(said, logbook.bike(run_id))

        def work(progress: Progress) -> str:
            kept = trying.ride_again(logbook, run_id, changes, progress)
            return f"/try?run={run_id}&draft={kept.key}"

        return self.jobs.start(f"Trying {changes[0]}", work)

    def set_plan(self, key: str, said: Mapping[str, str]) -> str:
        """Make a prediction the plan, or say what became of it; returns where to go."""
        from telemetry.logbook import set_state

        kept = set_state(
            self.logbook,
            key,
            said.get("state", ""),
            why=said.get("why", ""),
            came_of_it=said.get("came_of_it", ""),
            turn=said.get("turn", ""),
        )
        return f"/try?run={kept.run_id}"
