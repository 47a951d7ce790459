"""Small simulated campaigns that several tests look at; made once a session."""

from __future__ import annotations

import copy
import importlib.util
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import sqlalchemy as sa

from nightfold.simulate.demo import demo_plan, demo_settings_text
from nightfold.simulate.plan import simulate_plan

# The same inputs on every run: a suite that fails must fail again. The searches in fuzz/ draw new ones.
hypothesis.settings.register_profile("steady", derandomize=True)
hypothesis.settings.load_profile("steady")


def small_plan() -> dict[str, Any]:
    """The demo's first rig at half size, two filters, two nights, with cloud in one sub and a satellite in another."""
    plan = copy.deepcopy(demo_plan())
    rig = plan["rig"][0]
    rig["width_px"], rig["height_px"] = 520, 400
    plan["rig"] = [rig]
    for night in plan["night"]:
        night["run"] = [r for r in night["run"] if r["rig"] == rig["name"] and r["filter"] in ("Ha", "OIII")]
    plan["night"] = plan["night"][:2]
    plan["night"][0]["run"][0]["fault"] = [{"sub": 2, "kind": "trail", "amount": 45.0}]
    plan["calibration"] = [c for c in plan["calibration"] if c["rig"] == rig["name"] and c.get("filter") != "SII"]
    return plan


@pytest.fixture(scope="session")
def small_frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Raw frames of the small plan; read-only by agreement: copy what a test wants to break."""
    folder = tmp_path_factory.mktemp("small") / "frames"
    simulate_plan(small_plan(), folder)
    return folder


@pytest.fixture(scope="session")
def small_settings() -> str:
    """The campaign.toml that fits the small frames."""
    return (
        demo_settings_text().replace("width_px = 900", "width_px = 520").replace("height_px = 620", "height_px = 400")
    )


@pytest.fixture(scope="session")
def small_campaign(small_frames: Path, small_settings: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A campaign of the small frames, judged and folded; read-only by agreement: copy the folder to change it."""
    from nightfold.campaign import Campaign

    folder = tmp_path_factory.mktemp("campaign") / "lantern"
    with Campaign.create(folder, text=small_settings) as campaign:
        campaign.take_in([small_frames])
        campaign.judge()
        campaign.fold()
    return folder


@pytest.fixture(scope="session")
def _server() -> Iterator[str | None]:
    """The URL of a PostgreSQL database: that of NIGHTFOLD_TEST_DATABASE, else one started for these tests."""
    if named := os.environ.get("NIGHTFOLD_TEST_DATABASE"):
        yield named
        return
    spec = importlib.util.spec_from_file_location("ledger_server", Path(__file__).parent / "ledger" / "server.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    with module.running_server() as url:
        yield url


@pytest.fixture
def server_url(_server: str | None) -> str:
    """An empty PostgreSQL database."""
    if _server is None:
        pytest.skip(
            "PostgreSQL is not installed (Debian's package postgresql), nor does NIGHTFOLD_TEST_DATABASE name one"
        )
    from nightfold.ledger.schema import metadata

    engine = sa.create_engine(_server)
    with engine.begin() as connection:
        metadata.drop_all(connection)
        connection.execute(sa.text("DROP TABLE IF EXISTS alembic_version"))
    engine.dispose()
    return _server
