"""Work for other processes; they import this module and nothing large."""

import os
import signal
import time


def square(task):
    return os.getpid(), task**2


def die_on_three(task):
    if task == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return task


def die_once(task):
    number, marker = task
    if number == 3 and not marker.exists():
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def wait_or_end(path):
    """ "wait" waits for ever; "end" ends once the other waits."""
    if path.name == "wait":
        path.with_name(f"{os.getpid()}.pid").touch()
        time.sleep(600)
    while not list(path.parent.glob("*.pid")):
        time.sleep(0.01)
