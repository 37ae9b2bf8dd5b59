"""PostgreSQL restarted, and the web process killed, under load: what was accepted is there once.

Clients try again with the same key, as the API asks them to.
"""

from __future__ import annotations

import datetime as dt
import json
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from http.client import HTTPException
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest

from demo.own_services import free_port
from tests.services.conftest import Install
from tests.services.installation import Installation, begun_postgres, kill_group
from tests.services.servers import PostgresServer, wait_until

pytestmark = pytest.mark.slow

CLIENTS, EACH = 6, 50
PATIENCE_S = 240.0
ISSUE = """
import datetime as dt
from core.accounts.actor import TokenScope, system_actor
from core.accounts.tokens import token_issue
from core.models import Contractor
from core.tenancy.scope import contractor_scope
contractor = Contractor.objects.get()
with contractor_scope(contractor.pk):
    print(token_issue(name="load", scopes=list(TokenScope), lifetime=dt.timedelta(days=1),
                      by=system_actor(contractor.pk, "tests"))[1])
"""


@dataclass
class Web:
    """The web process of an installation, and what its clients were answered."""

    site: Installation
    port: int = field(default_factory=free_port)
    statuses: Counter[int] = field(default_factory=Counter)
    without_retry_after: int = 0
    no_answers: int = 0

    def __post_init__(self) -> None:
        self.token = self.site.manage("shell", "--verbosity", "0", "--command", ISSUE).split()[-1]
        self.start()

    def start(self) -> None:
        words = f"-m gunicorn core.wsgi:application --threads 8 --bind 127.0.0.1:{self.port}"
        self.process = self.site.popen(*words.split(), "--no-control-socket")
        wait_until(self.is_up, "the web process answers")

    def is_up(self) -> bool:
        try:
            urlopen(f"http://127.0.0.1:{self.port}/livez", timeout=2).close()
        except (OSError, HTTPException):
            return False
        return True

    def post(self, path: str, body: dict[str, Any], key: str) -> dict[str, Any]:
        """The answer, however often it takes."""
        headers = {
            "Authorization": f"Bearer {self.token}",
            "Content-Type": "application/json",
            "Idempotency-Key": key,
        }
        address = f"http://127.0.0.1:{self.port}/api/v1{path}"
        until_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < until_s:
            request = Request(address, json.dumps(body).encode(), headers)
            try:
                with urlopen(request, timeout=60) as answer:
                    self.statuses[answer.status] += 1
                    read: dict[str, Any] = json.load(answer)
                    return read
            except HTTPError as refused:
                self.refused(refused)
            except (OSError, HTTPException):
                self.no_answers += 1
            time.sleep(0.1)
        raise AssertionError(f"no answer to {key} in {PATIENCE_S:g} s; {self.statuses}")

    def refused(self, refused: HTTPError) -> None:
        self.statuses[refused.code] += 1
        if refused.code == 503:
            self.without_retry_after += "Retry-After" not in refused.headers
            assert refused.headers["Content-Type"] == "application/problem+json"
        # 409: the same key is being worked on by a try before this one.
        assert refused.code in (409, 503), refused.read()


def report_events(web: Web, meanwhile: list[float], act: Any) -> None:
    """Events from several clients at once; ``act`` runs at these seconds."""
    place = web.post("/properties", {"name": "Lawn", "time_zone": "UTC"}, "place")["id"]
    failures: list[BaseException] = []

    def client(number: int) -> None:
        try:
            for i in range(EACH):
                name = f"c{number}-{i}"
                at = dt.datetime.now(dt.UTC).isoformat()
                body = {"kind": "rain", "at": at, "property": place, "rain_mm": 3.0}
                web.post("/events", body | {"note": name}, name)
                time.sleep(0.1)
        except BaseException as failure:  # noqa: BLE001 - told below
            failures.append(failure)

    clients = [threading.Thread(target=client, args=(n,)) for n in range(CLIENTS)]
    for thread in clients:
        thread.start()
    for pause_s in meanwhile:
        time.sleep(pause_s)
        act()
    for thread in clients:
        thread.join()
    assert not failures, failures


def each_once(web: Web) -> None:
    found = Counter(row[0] for row in web.site.rows("SELECT note FROM faults_faultevent"))
    assert found == Counter(f"c{n}-{i}" for n in range(CLIENTS) for i in range(EACH))
    told = web.site.rows("SELECT count(*) FROM core_change WHERE action = 'event.reported'")
    assert told == [(CLIENTS * EACH,)]


@pytest.fixture
def on_postgres(install: Install, postgres_server: PostgresServer) -> Installation:
    return install(
        **begun_postgres(postgres_server, "web"),
    )


def test_postgresql_restarted_under_load(
    on_postgres: Installation, postgres_server: PostgresServer
) -> None:
    web = Web(on_postgres)

    def restart() -> None:
        postgres_server.stop()
        time.sleep(0.5)
        postgres_server.start()

    report_events(web, [1.0, 2.0, 2.0], restart)
    each_once(web)
    assert web.statuses[503] > 0, "no restart hit a request"
    assert web.without_retry_after == 0
    assert web.no_answers == 0, "the web process went along"


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_the_web_process_killed_under_load(
    install: Install, request: pytest.FixtureRequest, database: str
) -> None:
    site = install() if database == "sqlite" else request.getfixturevalue("on_postgres")
    web = Web(site)

    def kill() -> None:
        kill_group(web.process)
        web.start()

    report_events(web, [1.0, 2.0], kill)
    each_once(web)
    assert web.no_answers > 0, "no kill hit a request"
