"""Who is let in, and what pages may do."""

from __future__ import annotations

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from canalwise.recon.errors import WrongUse
from canalwise.workbench.rehearsal.server.security import ServerEndpoint, new_token


def policy_of(response) -> dict[str, list[str]]:
    """Directive -> its sources."""
    parts = (part.split() for part in response.headers["content-security-policy"].split(";"))
    return {name: sources for name, *sources in parts}


def test_every_response_is_kept_to_itself(served):
    for response in (served.get(), served.get("page.js"), served.get("case.json"), served.get("no-such-thing")):
        assert response.headers["referrer-policy"] == "no-referrer"
        assert response.headers["x-content-type-options"] == "nosniff"
        assert response.headers["cache-control"] == "no-store"
        assert response.headers["cross-origin-resource-policy"] == "same-origin"
        assert response.headers["cross-origin-opener-policy"] == "same-origin"
        assert "server" not in response.headers
        assert "access-control-allow-origin" not in response.headers


def test_the_page_runs_and_loads_its_own_files_only(served):
    policy = policy_of(served.get())
    assert policy["default-src"] == ["'none'"]
    assert policy["script-src"] == policy["style-src"] == ["'self'"]
    assert policy["connect-src"] == ["'self'", f"ws://127.0.0.1:{served.address.port}"]
    assert policy["base-uri"] == policy["form-action"] == ["'none'"]
    assert not any("unsafe" in source or source == "*" for sources in policy.values() for source in sources)


def test_only_this_machine_may_frame_the_page(served):
    hosts = policy_of(served.get())["frame-ancestors"]
    assert set(hosts) == {"'self'", "http://127.0.0.1:*", "http://localhost:*"}


def test_the_socket_is_named_as_the_page_was_opened(served):
    response = served.get(host=f"localhost:{served.address.port}")
    assert response.status_code == 200
    assert f"ws://localhost:{served.address.port}" in policy_of(response)["connect-src"]


@pytest.mark.parametrize("host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "",
                                  "127.0.0.1:{port}.evil.example"])  # fmt: skip
def test_a_foreign_host_is_refused(served, host):
    refused = served.get(host=host.format(port=served.address.port))
    assert refused.status_code == 400
    assert refused.content == b""


@pytest.mark.parametrize("token", ["", "x", "x" * 43, "%2e%2e", "\xfc"])
def test_a_wrong_token_is_given_nothing(served, token):
    for path in ("", "page.js", "case.json", "socket", "levels/L3-L4/scene.bin"):
        refused = served.request("GET", f"/{token}/{path}".encode().decode("latin-1").replace("\xc3\xbc", "%C3%BC"))
        assert refused.status_code == 404
        assert refused.content == b""


def test_the_token_alone_opens(served):
    almost = served.address.token[:-1]
    assert served.request("GET", f"/{almost}/case.json").status_code == 404
    assert served.request("GET", f"/{served.address.token}x/case.json").status_code == 404
    assert served.request("GET", f"/{served.address.token.swapcase()}/case.json").status_code == 404
    assert served.request("GET", f"/{served.address.token}/case.json").status_code == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_a_foreign_page_may_not_act(served, method):
    target = f"/{served.address.token}/case.json"
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"}):
        refused = served.request(method, target, **headers)
        assert refused.status_code == 403
    assert served.request(method, target, origin=served.origin).status_code == 405


@pytest.mark.parametrize("origin", [None, "null", "http://evil.example", "https://127.0.0.1:{port}", "http://127.0.0.1",
                                    "http://127.0.0.1:1", "http://localhost:{port}"])  # fmt: skip
def test_a_foreign_origin_gets_no_socket(served, origin):
    with (
        pytest.raises(InvalidStatus) as refused,
        served.page(origin=origin and origin.format(port=served.address.port)),
    ):
        pass
    assert refused.value.response.status_code == 403


def test_a_wrong_token_gets_no_socket(served):
    url = served.origin.replace("http", "ws") + f"/{new_token()}/socket"
    with pytest.raises(InvalidStatus) as refused, connect(url, origin=served.origin, proxy=None):
        pass
    assert refused.value.response.status_code == 403


def test_tokens_cannot_be_guessed():
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert all(len(token) >= 43 for token in tokens)


@pytest.mark.parametrize("token", ["", "x" * 31, "x" * 129, "x" * 31 + "/", "x" * 31 + "\u00fc", "x" * 32 + "\n"])
def test_a_token_that_is_none_is_refused(token):
    with pytest.raises(WrongUse, match="32 to 128"):
        ServerEndpoint("127.0.0.1", 1, token)
