"""The portal asks for jobs by name, and beat runs a table of names: each name is a job which the worker knows."""

import ast
from pathlib import Path

import portal
from portal.actions.jobs import QUEUE_OF
from workers import tasks
from workers.app import BEAT_TABLE, app

FOLDERS = [Path(folder) for folder in portal.__path__]


def names_asked_for() -> set[str]:
    """The first argument of every ask_for(…), and of every partial(ask_for, …), in the portal's code."""
    names = set()
    for path in (path for folder in FOLDERS for path in folder.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call):
                called = [node.func, *node.args]
                for index, part in enumerate(called[:-1]):
                    if getattr(part, "id", getattr(part, "attr", "")) == "ask_for":
                        name = called[index + 1]
                        assert isinstance(name, ast.Constant), f"{path}:{node.lineno}: name the job in plain letters"
                        names.add(str(name.value))
    return names


def test_every_job_the_portal_asks_for_is_known_to_the_worker() -> None:
    asked = names_asked_for()
    assert "assess_next" in asked, "the search finds what is there"
    assert asked <= set(app.tasks)


def test_every_line_of_the_beat_table_is_known_to_the_worker() -> None:
    assert {line["task"] for line in BEAT_TABLE.values()} <= set(app.tasks)


def test_every_job_is_asked_for_by_the_portal_or_by_beat() -> None:
    ours = {name for name, task in app.tasks.items() if task.run.__module__ == tasks.__name__}
    assert ours == names_asked_for() | {line["task"] for line in BEAT_TABLE.values()}


def test_every_job_has_a_queue_of_the_three() -> None:
    ours = {name for name, task in app.tasks.items() if task.run.__module__ == tasks.__name__}
    assert set(QUEUE_OF) == ours
    queues = [queue for queue in app.conf.task_queues if queue.name != "celery"]  # that one is the probe's
    assert set(QUEUE_OF.values()) == {queue.name for queue in queues}
    assert [(queue.exchange.name, queue.routing_key) for queue in queues] == [
        (queue.name, queue.name) for queue in queues
    ]


def test_every_task_is_short() -> None:
    source = ast.parse(Path(tasks.__file__).read_text())
    too_long = [f.name for f in source.body if isinstance(f, ast.FunctionDef) and len(f.body) > 3]
    assert too_long == []
