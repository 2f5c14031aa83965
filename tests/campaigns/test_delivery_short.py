"""A short form of ``python -m tests.campaigns.delivery``: real processes, killed; every result once."""

import pytest

from tests.campaigns.delivery.cases import broker_fell_back, broker_lost, killed
from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = [pytest.mark.slow, needs_mosquitto]


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "case"


def test_a_publisher_killed_at_random_loses_nothing(folder):
    outcome = killed(folder, 90, 1, 3)
    assert outcome.good, outcome
    assert outcome.results == 90
    assert outcome.missing_first == 0  # the consumer requested nothing


def test_a_consumer_requests_the_results_that_the_broker_acknowledged_and_lost(folder):
    outcome = broker_lost(folder, 90, 1, by_request=True)
    assert outcome.missing_first > 0, "the broker lost nothing, so the case shows nothing"
    assert outcome.requests > 0
    assert outcome.good, outcome


def test_a_broker_that_fell_back_to_an_old_database_receives_the_lost_results_again(folder):
    outcome = broker_fell_back(folder, 90, 1)
    assert outcome.repeated > 0
    assert outcome.missing_first == 0
    assert outcome.good, outcome
