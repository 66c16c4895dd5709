"""Background work: files in the data folder as the broker, or Redis."""

import logging.config
import os
from inspect import signature
from typing import Any

from celery import Celery
from celery.contrib.django.task import DjangoTask
from celery.schedules import crontab
from celery.signals import (
    beat_embedded_init,
    beat_init,
    setup_logging,
    worker_init,
    worker_process_init,
    worker_ready,
)
from django.conf import settings

from config import garbage, lifeline
from config.readiness import or_end

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
garbage.look_less_often()  # first: to look through all that is imported from here on takes long

with or_end():  # whoever starts worker or beat reads why they do not start, and no trace
    settings.INSTALLED_APPS  # noqa: B018  (read now: celery would in the midst of its own work)


class Tolerant(DjangoTask):  # type: ignore[type-arg]  # generic for the type checker only
    """While two versions run, what the newer one sends along is left aside by the older one."""

    abstract = True

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        known = signature(self.run).parameters
        named = {name: value for name, value in kwargs.items() if name in known}
        return super().__call__(*args[: len(known)], **named)


app = Celery("sumpwise", task_cls=Tolerant)
app.config_from_object("django.conf:settings", namespace="CELERY")
app.conf.beat_schedule = {
    # finds each depot's night from its local 02:30 on, and whatever was lost; one that no worker
    # took before the next comes is dropped
    "make up what is owed": {
        "task": "fleet.jobs.make_up",
        "schedule": crontab(minute="*"),
        "options": {"expires": 55},
    },
}


@worker_ready.connect
def make_up_at_start(**_: object) -> None:
    """What was lost while no worker ran is found now, not at the next full ten minutes."""
    app.send_task("fleet.jobs.make_up")


@worker_process_init.connect
@worker_ready.connect
def give_way_to_the_pages(**_: object) -> None:
    """Whoever waits for a page waits less for a night; where nobody waits, it takes no longer."""
    os.nice(max(0, settings.WORKER_NICENESS - os.nice(0)))


@setup_logging.connect
def lines_like_those_of_the_pages(loglevel: int | str | None = None, **_: object) -> None:
    logging.config.dictConfig(settings.LOGGING)
    logging.getLogger().setLevel(loglevel or logging.WARNING)


@worker_init.connect
def end_with_the_program(**_: object) -> None:
    if not lifeline.hold():
        must_be_ready()


@beat_init.connect
def must_be_ready(**_: object) -> None:
    from config.readiness import start_or_end

    start_or_end()


@beat_embedded_init.connect
def end_with_the_worker(**_: object) -> None:
    lifeline.hold(os.getppid())
