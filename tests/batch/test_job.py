"""One log of a batch: the same record in any process, and what it depends on."""

from telemetry.batch import Job, job_inputs, run_here, run_job
from telemetry.bike import load_bike
from tests.batch.day import BIKE, small_logs


def test_a_record_does_not_depend_on_the_process(tmp_path):
    (log,) = small_logs(tmp_path, 1)
    job = Job(str(log), load_bike(BIKE))
    ((_, elsewhere),) = run_here([job], run_job, lambda _: None, workers=1)
    assert elsewhere == run_job(job)
    assert elsewhere.error == "" and elsewhere.laps == 1 and elsewhere.date == "2026-04-01"


def test_the_inputs_change_with_each_of_them(tmp_path):
    log, other = small_logs(tmp_path, 2)
    bike = load_bike(BIKE)
    job = Job(str(log), bike)
    files = {"bike.toml": BIKE.read_bytes()}
    known = job_inputs(job, files)
    assert known == job_inputs(Job(str(log), bike), dict(files))
    different = {
        job_inputs(Job(str(other), bike), files),
        job_inputs(Job(str(log), bike, channels={"lean": ""}), files),
        job_inputs(Job(str(log), bike, line=(47.0, -30.0)), files),
        job_inputs(job, {"bike.toml": b"other"}),
    }
    assert len(different | {known}) == 5
    assert job_inputs(Job(str(tmp_path / "gone.csv"), bike), files) == ""
