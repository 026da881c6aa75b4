"""A job in which chosen parcels kill their process, or fail in other ways."""

from __future__ import annotations

import os
import signal
import time
from typing import Any

from siting.batch.jobs import Job, do_job


def poisoned(job: Job) -> dict[str, Any]:
    """As `do_job`, but parcels named in the environment do harm."""
    if job.parcel.id in os.environ.get("SITING_TEST_POISON", "").split():
        os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(60)
    return do_job(job)
