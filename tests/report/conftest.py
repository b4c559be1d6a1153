"""One job for all tests of the outputs: making it takes a second."""

from __future__ import annotations

import pytest

from tests.report.job import make_job
from treescan.planning.types import JobResult


@pytest.fixture(scope="session")
def job() -> JobResult:
    return make_job()


@pytest.fixture(scope="session")
def measured() -> JobResult:
    return make_job(with_plan=False)
