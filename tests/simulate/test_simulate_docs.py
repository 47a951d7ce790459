"""The plan of the guide is one that works."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from nightfold.simulate.plan_file import FAULT_AMOUNTS, read_plan

GUIDE = Path(__file__).parents[2] / "docs" / "simulate.md"


def test_the_plan_of_the_guide_is_valid_and_its_faults_are_all() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    plan = re.search(r"```toml\n(.*?)```", text, re.DOTALL)
    assert plan is not None
    checked = read_plan(tomllib.loads(plan[1]))
    assert checked.rig[0].sim_rig().name == "Heron 106"
    assert set(re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE)) == set(FAULT_AMOUNTS)
