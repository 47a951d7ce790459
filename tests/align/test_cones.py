"""Deeper star lists: the archive's answer through the library's own loading code, kept and used; a server of this machine answers."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs

import numpy as np
import pytest

from nightfold.align.catalogue import Catalogue, read_cone
from nightfold.align.cones import add_cone, ask_archive, catalogue_for, cone_files, cone_query, keep_table
from nightfold.cli import main
from nightfold.errors import FrameError, NightfoldError

ANSWER = Path(__file__).parent / "data" / "gaia-answer.vot"
"""The form of an answer of the Gaia archive (VOTable 1.4). Barnard's star as Gaia DR3 has it (values from memory, checked below
against its place of 2000.0); the other stars are invented."""


class _Archive(BaseHTTPRequestHandler):
    asked: list[str] = []  # noqa: RUF012

    def log_message(self, format: str, *arguments: object) -> None:
        pass

    def _reply(self, body: bytes, status: int = 200, **headers: str) -> None:
        self.send_response(status)
        for name, value in {"Content-Type": "text/plain", "Content-Length": str(len(body)), **headers}.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(body)

    def do_POST(self) -> None:
        sent = parse_qs(self.rfile.read(int(self.headers.get("Content-Length", 0))).decode())
        self.asked.append(sent["QUERY"][0])
        self._reply(b"", 303, Location=f"http://{self.headers['Host']}/tap-server/tap/async/7")

    def do_GET(self) -> None:
        if self.path.endswith("/phase"):
            self._reply(b"COMPLETED")
        elif "results" in self.path:
            self._reply(ANSWER.read_bytes(), Content_Type="application/x-votable+xml")
        else:
            self._reply(b"")


@pytest.fixture
def archive() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Archive)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    _Archive.asked.clear()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.mark.filterwarnings("ignore")  # the library's own
def test_an_answer_is_kept_and_used(archive: str, tmp_path: Path, catalogue: Catalogue) -> None:
    pytest.importorskip("astroquery")
    ask = partial(ask_archive, server=archive)
    report = add_cone(tmp_path, ra_deg=269.45, dec_deg=4.70, radius_deg=0.2, faintest_g=15.0, ask=ask)
    assert _Archive.asked == [cone_query(269.45, 4.70, 0.2, 15.0)]
    assert (report.stars, report.cut) == (4, False)
    assert report.faintest_g == pytest.approx(14.902, abs=1e-3)
    stars = read_cone(Path(report.file))
    assert np.all(np.diff(stars.g) > 0)
    assert np.isnan(stars.bp[-1])
    joined = catalogue_for([tmp_path], around=(269.0, 5.0))
    inside = joined.near(269.45, 4.70, 0.2)
    assert len(inside) >= 4
    assert len(joined.stars) > len(catalogue.stars)
    elsewhere = catalogue_for([tmp_path], around=(20.0, 5.0))
    assert len(elsewhere.stars) == len(catalogue.stars), "a cone out of reach is not read"


def test_proper_motion_reaches_the_place_of_another_year(tmp_path: Path) -> None:
    # Barnard's star at J2000.0: 17h57m48.498s +04d41'36.21" (SIMBAD, from memory).
    report = keep_table(tmp_path, ANSWER)
    stars = read_cone(Path(report.file), epoch_year=2000.0)
    assert stars.ra_deg[0] == pytest.approx(15 * (17 + 57 / 60 + 48.498 / 3600), abs=0.1 / 3600)
    assert stars.dec_deg[0] == pytest.approx(4 + 41 / 60 + 36.21 / 3600, abs=0.1 / 3600)
    assert stars.ra_deg[-1] == pytest.approx(269.5120, abs=1e-9), "no proper motion: it stays"


def test_refusals(tmp_path: Path) -> None:
    def down(query: str) -> None:
        raise NightfoldError("the Gaia archive gave no answer")

    with pytest.raises(NightfoldError, match="gave no answer"):
        add_cone(tmp_path, ra_deg=1.0, dec_deg=2.0, radius_deg=1.0, ask=down)  # type: ignore[arg-type]
    with pytest.raises(NightfoldError, match="radius"):
        add_cone(tmp_path, ra_deg=1.0, dec_deg=2.0, radius_deg=9.0)
    with pytest.raises(NightfoldError, match="magnitude"):
        add_cone(tmp_path, ra_deg=1.0, dec_deg=2.0, radius_deg=1.0, faintest_g=3.0)
    broken = tmp_path / "broken.ecsv"
    broken.write_text("no table at all\n", encoding="utf-8")
    with pytest.raises(FrameError, match=r"not a star table|no stars"):
        keep_table(tmp_path / "kept", broken)
    assert cone_files([tmp_path / "kept"]) == []


@pytest.mark.filterwarnings("ignore")
def test_an_archive_out_of_reach_is_told() -> None:
    pytest.importorskip("astroquery")
    with pytest.raises(NightfoldError, match="no answer"):
        ask_archive("SELECT 1", server="http://127.0.0.1:9/")


def test_the_command_keeps_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "campaign.toml").write_text('name = "x"\n', encoding="utf-8")
    status = main(["catalogue", "add", "--table", str(ANSWER), "--campaign", str(tmp_path), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert status == 0
    assert document["stars"] == 4
    assert Path(document["file"]).parent == tmp_path / "catalogue"
    assert main(["catalogue", "add", "--campaign", str(tmp_path)]) == 1


def test_a_kept_list_serves_the_solve_command(
    small_frames: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "campaign.toml").write_text('name = "x"\n', encoding="utf-8")
    stars = str(small_frames / "stars.ecsv")
    assert main(["catalogue", "add", "--table", stars, "--campaign", str(tmp_path), "--json"]) == 0
    kept = json.loads(capsys.readouterr().out)
    assert kept["ra_deg"] == pytest.approx(250.2, abs=0.1)
    sub = sorted(small_frames.rglob("*OIII_300s*.fits"))[0]
    assert main(["solve", str(sub), "--campaign", str(tmp_path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["solved"] is True
    assert found["matched"] > 25, "more than the installed list holds there"
    assert found["dec_deg"] == pytest.approx(-48.8, abs=0.01)
