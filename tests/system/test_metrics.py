"""A real Prometheus scrapes the service, and the alert rules, the dashboard and the metrics agree."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

from lab import World
from lab.portress import REPOSITORY
from system.host import config, configure, host, knock
from system.machine import Machine

LISTEN = 'metrics: {listen: "127.0.0.1:9753"}'
RULES = REPOSITORY / "config/prometheus"
OF_A_FLEET = {
    f"portress_fleet_{name}"
    for name in ("store_away", "lag_seconds", "queue", "claims_total", "conflicts_total", "refused_total")
} | {"portress_fleet_store_errors_total"}
DASHBOARD = REPOSITORY / "config/grafana/portress.json"
NAME = re.compile(r"\bportress_[a-z_]+")


def _with_metrics() -> str:
    return config().replace("restore: true", f"restore: true\n{LISTEN}")


def _scrape(machine: Machine) -> str:
    return machine.run("curl", "--silent", "--fail", "http://127.0.0.1:9753/metrics").stdout


def _ask(machine: Machine, query: str, timeout: float = 30) -> list[dict[str, Any]]:
    """What Prometheus answers to an instant query, once it has something to answer."""
    until = time.monotonic() + timeout
    words = ("curl", "--silent", "--fail", "--get", "--data-urlencode", f"query={query}")
    while True:
        said = machine.run(*words, "http://127.0.0.1:9090/api/v1/query", check=False).stdout
        answer: list[dict[str, Any]] = json.loads(said)["data"]["result"] if said else []
        if answer:
            return answer
        assert time.monotonic() < until, f"{query}: {said}"
        time.sleep(0.2)


def test_prometheus_scrapes_it_and_answers_queries() -> None:
    with host(_with_metrics()) as machine:
        knock(machine, machine.stranger, World.stranger4)
        for name in ("portress.rules.yml", "scrape.yml"):
            text = (RULES / name).read_text().replace("scrape_interval: 15s", "scrape_interval: 1s")
            machine.path(f"/etc/prometheus/{name}").write_text(text)
        words = ("--config.file=/etc/prometheus/scrape.yml", "--storage.tsdb.path=/tmp/tsdb")
        machine.run("systemd-run", "--unit=scraper", "--", "prometheus", *words)
        up = _ask(machine, "up == 1")
        assert up[0]["metric"] == {"__name__": "up", "instance": "127.0.0.1:9753", "job": "portress"}
        assert _ask(machine, "portress_guard_present")[0]["value"][1] == "1"
        admitted = _ask(machine, 'portress_admitted{door="ssh"}')
        assert admitted[0]["value"][1] == "1"
        rules = machine.run("curl", "--silent", "--fail", "http://127.0.0.1:9090/api/v1/rules").stdout
        found = json.loads(rules)["data"]["groups"]
        assert {rule["health"] for group in found for rule in group["rules"]} <= {"ok", "unknown"}
        written = (RULES / "portress.rules.yml").read_text()
        assert sum(len(group["rules"]) for group in found) == written.count("- alert:") + written.count(
            "- record:"
        )


def test_promtool_has_nothing_to_say_about_metrics_and_rules() -> None:
    with host(_with_metrics()) as machine:
        knock(machine, machine.stranger, World.stranger4)
        checked = machine.run("promtool", "check", "metrics", text=_scrape(machine), check=False)
        assert (checked.returncode, checked.stdout + checked.stderr) == (0, "")
        machine.copy(RULES, "/root/prometheus")
        machine.run("promtool", "check", "rules", "/root/prometheus/portress.rules.yml")
        machine.run("promtool", "check", "config", "/root/prometheus/scrape.yml")
        machine.run("promtool", "test", "rules", "/root/prometheus/portress.rules.test.yml")


def test_rules_and_dashboard_name_metrics_that_exist_and_no_label_holds_a_source() -> None:
    with host(_with_metrics()) as machine:
        knock(machine, machine.stranger, World.stranger4)
        text = _scrape(machine)
    known = set(re.findall(r"^# TYPE (\w+) ", text, re.MULTILINE))
    known |= {f"{name}_bucket" for name in known}
    known |= OF_A_FLEET  # tests/kernel/test_fleet.py has them from gateways
    known.add("portress_paper_few")  # tests/kernel/test_paper.py has it from a door with paper
    known.add("portress_clock_error_seconds")  # absent where the clock cannot be asked, as in a container
    for path in (RULES / "portress.rules.yml", DASHBOARD):
        assert _named(path) <= known, path
    assert World.stranger4 not in text


def test_the_alerts_tests_feed_series_that_the_daemon_has() -> None:
    with host(_with_metrics()) as machine:
        knock(machine, machine.stranger, World.stranger4)
        lines = _scrape(machine).splitlines()
    fed = re.findall(r"series: '(\w+)\{(.*?)\}'", (RULES / "portress.rules.test.yml").read_text())
    checked = 0
    for name, labels in fed:
        for key, value in re.findall(r'(\w+)="(.*?)"', labels):
            if key in ("cause", "result", "watcher"):
                checked += 1
                label = f'{key}="{value}"'
                assert any(line.startswith(f"{name}{{") and label in line for line in lines), (name, label)
    assert checked > 5


def _named(path: Path) -> set[str]:
    """The metrics that a file names in its expressions."""
    lines = re.findall(r'"?expr"?: (.*?)(?:,?\n)', path.read_text()) if path.suffix == ".json" else []
    if not lines:
        lines = re.findall(
            r"expr:\s+(?:>-\s+)?(.*?)\n\s+(?:for|labels|record|- record)", path.read_text(), re.DOTALL
        )
    found = {name for line in lines for name in NAME.findall(line)}
    assert len(found) > 5
    return found


def test_a_refused_reload_is_counted_and_the_alert_on_it_fires() -> None:
    with host(_with_metrics()) as machine:
        for name in ("portress.rules.yml", "scrape.yml"):
            text = (RULES / name).read_text().replace("scrape_interval: 15s", _OFTEN)
            machine.path(f"/etc/prometheus/{name}").write_text(text)
        words = ("--config.file=/etc/prometheus/scrape.yml", "--storage.tsdb.path=/tmp/tsdb")
        machine.run("systemd-run", "--unit=scraper", "--", "prometheus", *words)
        refused = 'portress_config_reloads_total{result="refused"}'
        assert _ask(machine, refused)[0]["value"][1] == "0"
        assert not _firing(machine)
        configure(machine, "doors: {}\n")
        assert machine.run("systemctl", "reload", "portress.service", check=False).returncode != 0
        assert _ask(machine, f"{refused} == 1")
        assert _ask(machine, 'ALERTS{alertname="PortressReloadRefused", alertstate="firing"}')


_OFTEN = "scrape_interval: 1s\n  evaluation_interval: 1s"


def _firing(machine: Machine) -> bool:
    """Whether the alert on refused reloads fires, by Prometheus's own list."""
    said = machine.run("curl", "--silent", "--fail", "http://127.0.0.1:9090/api/v1/alerts").stdout
    return "PortressReloadRefused" in said
