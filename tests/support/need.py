"""Find a program that a test needs, or skip with the sentence that says what to install."""

import os
import shutil

import pytest

PACKAGES = {
    "mosquitto": "mosquitto",
    "mosquitto_pub": "mosquitto-clients",
    "mosquitto_sub": "mosquitto-clients",
    "chromium": "chromium",
    "curl": "curl",
    "mosquitto_passwd": "mosquitto",
    "dpkg": "dpkg",
    "openssl": "openssl",
    "shellcheck": "shellcheck",
    "systemd-analyze": "systemd",
    "victoria-metrics": "victoria-metrics",
}


def need(program: str) -> str:
    """Return the path of a program, or skip; fail where everything is required."""
    path = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
    if path is not None:
        return path
    sentence = f"{program} not found: apt-get install {PACKAGES[program]}"
    if os.environ.get("WEIRWATCH_REQUIRE_ALL") == "1":
        pytest.fail(sentence)
    pytest.skip(sentence)
