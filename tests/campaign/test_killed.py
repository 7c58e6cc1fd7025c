"""A process killed outright while it adds and balances: nothing lost, no half survey."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from campaign_surveys import PLANT, TABLE
from often import NIGHTLY

from oretally.io.campaign import BALANCE, in_this_process, kept_results, open_campaign, verified

WORK = """
import sys
from pathlib import Path
import oretally.io.campaign.results as results
import oretally.io.campaign.store as store
from oretally.io.campaign import BALANCE, in_this_process, make_results, missing, open_campaign
from oretally.io.campaign import surveys_of

store._TOGETHER = 1  # as many transactions as can be
results.CHUNK = 2
found = surveys_of(Path(sys.argv[2]), Path(sys.argv[3])).surveys
campaign = open_campaign(sys.argv[1], create=True)
for survey in found:
    campaign.add([survey], by="a test")
    print(survey.label, flush=True)
make_results(campaign, missing(campaign, BALANCE), BALANCE, in_this_process)
print("done", flush=True)
"""


def _started(path: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WORK, str(path), str(TABLE), str(PLANT)],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(20 if NIGHTLY else 1))
def test_killed_at_random_moments(tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed)
    said: set[str] = set()
    for _ in range(10 if NIGHTLY else 2):
        process = _started(tmp_path / "c.db")
        assert process.stdout is not None
        for _ in range(draw.randrange(1, 13)):  # it has begun, however slow the machine
            said.add(process.stdout.readline().strip())
        time.sleep(draw.random() * 0.02)
        process.send_signal(signal.SIGKILL)
        said |= {line.strip() for line in process.stdout.read().splitlines()}
        process.wait()
        process.stdout.close()
        campaign = open_campaign(tmp_path / "c.db")
        assert not campaign.database.damage()
        found = {d.label for d in campaign.dated_surveys()}
        assert said - {"", "done"} <= found  # what was said to be in is in
    process = _started(tmp_path / "c.db")
    told, _ = process.communicate(timeout=600)
    assert told.split("\n")[-2] == "done"
    campaign = open_campaign(tmp_path / "c.db")
    assert len(kept_results(campaign, BALANCE)) == 12
    if seed == 0:
        assert not verified(campaign, in_this_process).faults
