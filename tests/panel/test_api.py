"""The API is what its own document says, tried by schemathesis."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import httpx

from tests.brokers import needs_mosquitto
from tests.panel.studio import studio, until


@needs_mosquitto
def test_schemathesis_finds_nothing(tmp_path: Path) -> None:
    with studio(tmp_path, "one-plug-one-light") as made:
        until(lambda: httpx.get(f"{made.url}/health").status_code == 200, "the bridge to be seen")
        with httpx.Client(base_url=made.url) as client:
            client.post("/pair", data={"secret": made.code(), "name": "schemathesis"})
            token = client.get("/api/session").json()["token"]
            cookie = client.cookies["studiobridge"]
            assert client.get("/api/openapi.json").json()["openapi"] == "3.1.0"
        config = tmp_path / "schemathesis.toml"
        config.write_text(
            # what is in this studio, so that more than 404 is reached
            '[parameters]\n"path.set" = "shelf-corner"\n"path.device" = "shelf-light"\n'
            f'[auth.openapi.session]\napi_key = "{cookie}"\n'
            # what is right by its shape may be wrong for the set (a light it has not got, an adjustment of none):
            # 422, as the document says. By default that counts as a fault, unless 429 happened to come before it
            "[checks.positive_data_acceptance]\n"
            'expected-statuses = ["2xx", "3xx", "401", "403", "404", "409", "422", "429", "5xx"]\n',
            encoding="utf-8",
        )
        done = subprocess.run(
            [
                str(Path(sys.executable).parent / "schemathesis"),
                "--config-file",
                str(config),
                "run",
                f"{made.url}/api/openapi.json",
                "--header",
                f"X-Studiobridge-Token: {token}",
                "--max-examples",
                "15",
                "--workers",
                "1",
                "--seed",
                "7",
                "--no-color",
            ],
            capture_output=True,
            text=True,
            cwd=tmp_path,
            timeout=280,
        )
        assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
