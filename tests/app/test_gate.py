"""Host, Origin, token and ticket, asked of the real middleware and route (Starlette's client)."""

from __future__ import annotations

import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from hotspot.app.gate import Gate, Rules
from hotspot.app.server import to_config, to_rules
from hotspot.app.stream import PATH, PROTOCOL, build_routes
from hotspot.app.tickets import LIFE_S, TicketOffice
from hotspot.bench.desk import LiveDesk
from tests.app.asgi import get, listen


def build(rules: Rules | None = None, *, tickets: TicketOffice | None = None) -> Starlette:
    async def page(request: object) -> PlainTextResponse:
        return PlainTextResponse("the page")

    live = build_routes(LiveDesk(), tickets=tickets or TicketOffice(), photo=lambda: None)
    return Starlette(
        routes=[Route("/", page), *live],
        middleware=[Middleware(Gate, rules=rules or Rules())],
    )


def test_this_machine_comes_in() -> None:
    assert get(build()).text == "the page"
    assert get(build(), host="localhost:8501").status == 200
    assert get(build(), host="[::1]:8501").status == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "[::", "10.0.0.1"])
def test_another_name_is_refused(host: str) -> None:
    assert get(build(), host=host).status == 400


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:9999", "https://127.0.0.1.evil"]
)
def test_another_origin_is_refused(origin: str) -> None:
    assert get(build(), origin=origin).status == 403


@pytest.mark.parametrize("client", ["192.168.1.7", "::ffff:10.0.0.5", "fe80::1"])
def test_without_a_token_another_machine_stays_out_whatever_it_says(client: str) -> None:
    answer = get(build(), client=client)
    assert answer.status == 403
    assert "hotspot bench --listen" in answer.text
    assert get(build(Rules(token="t")), client=client).status == 401  # it is asked for the token


@pytest.mark.parametrize("client", ["127.0.0.1", "127.8.8.8", "::1", "::ffff:127.0.0.1"])
def test_this_machine_has_several_addresses(client: str) -> None:
    assert get(build(), client=client).status == 200


def test_no_other_site_shows_the_page_within_its_own() -> None:
    """The headers of the HTML standard against framing (CSP Level 3, 6.4.2; RFC 7034)."""
    headers = get(build()).headers
    assert headers["content-security-policy"] == "frame-ancestors 'self'"
    assert headers["x-frame-options"] == "SAMEORIGIN"


def test_own_origin_comes_in() -> None:
    assert get(build(), origin="http://127.0.0.1:8501").status == 200


def test_the_network_needs_the_token_and_keeps_it_out_of_the_address() -> None:
    app = build(Rules(token="secret-word"))
    assert get(app).status == 401
    assert get(app, "/?token=wrong").status == 401
    let_in = get(app, "/?token=secret-word")
    assert let_in.status == 303
    assert let_in.headers["location"] == "/"
    cookie = let_in.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "secret-word" not in cookie
    assert get(app, cookie=cookie.split(";")[0]).status == 200
    assert get(app, cookie="hotspot_bench=wrong").status == 401
    code, _ = listen(app, PATH, offered=[PROTOCOL, "x"])
    assert code == 4401


def test_the_redirect_never_leads_to_another_host() -> None:
    let_in = get(build(Rules(token="t")), "//evil.example/?token=t")
    assert let_in.headers["location"] == "/evil.example/"


def test_the_live_channel_needs_a_ticket() -> None:
    office = TicketOffice()
    app = build(tickets=office)
    for offered in ([], [PROTOCOL], [PROTOCOL, "a.9999999999.00"], ["other", office.issue("tab")]):
        assert listen(app, PATH, offered=offered) == (4401, [])
    code, got = listen(app, PATH, offered=[PROTOCOL, office.issue("tab")])
    assert code is None
    # No camera; a second message may be under way before the first is answered, never a third.
    assert set(got) == {b'\x02{"signature": "closed", "open": false}'}
    assert len(got) <= 2


def test_the_live_channel_checks_host_and_origin() -> None:
    office = TicketOffice()
    app = build(tickets=office)
    offered = [PROTOCOL, office.issue("tab")]
    assert listen(app, PATH, offered=offered, origin="http://evil.example")[0] == 4403
    assert listen(app, PATH, offered=offered, host="evil.example")[0] == 4400


def test_tickets_expire_and_cannot_be_forged() -> None:
    now = 1000.0
    office = TicketOffice(clock=lambda: now, secret=b"k" * 32)
    ticket = office.issue("tab-1")
    assert office.holder(ticket) == "tab-1"
    now += LIFE_S + 1
    assert office.holder(ticket) is None
    who, expiry, signature = office.issue("tab-1").split(".")
    assert office.holder(f"tab-2.{expiry}.{signature}") is None
    assert office.holder(f"{who}.{int(expiry) + 100}.{signature}") is None
    assert TicketOffice(secret=b"x" * 32).holder(f"{who}.{expiry}.{signature}") is None
    for nonsense in ("", "..", "a.b.c", "é.1.2"):
        assert office.holder(nonsense) is None


@pytest.mark.parametrize("who", ["", "a b", "a.b", "a/b"])
def test_tickets_are_for_plain_names(who: str) -> None:
    with pytest.raises(ValueError, match="who must be"):
        TicketOffice().issue(who)


def test_loopback_needs_no_token_and_the_network_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("HOTSPOT_BENCH_TOKEN", raising=False)
    assert to_rules("127.0.0.1").token is None
    open_rules = to_rules("0.0.0.0", names=["bench.lan"])
    assert open_rules.token is not None
    assert len(open_rules.token) >= 32
    assert "bench.lan" in open_rules.hosts
    assert "0.0.0.0" not in open_rules.hosts
    monkeypatch.setenv("HOTSPOT_BENCH_TOKEN", "chosen")
    assert to_rules("192.168.1.5").token == "chosen"
    assert to_config(address="127.0.0.1", port=1, browser=False)["server.address"] == "127.0.0.1"
