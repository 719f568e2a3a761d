"""The hub's side: why the valve is shut, which values are missing, what a stranger overwrote, the records."""

import json
import re
import time

import pytest

from tests.strangers.stage import HUB, Hub, Stage, counts_every_pulse

pytestmark = pytest.mark.needs("mosquitto", "gcc")

RECORDS = "clearwell/bog/records"
UNIT_OF_ENDING = {"-l": "l", "-g": "g", "-ms": "ms"}


def records(hub: Hub) -> list[dict[str, object]]:
    """Returns every SenML record that came, with its whole name and its time, by RFC 8428, section 4.6."""
    found = []
    for topic, payload in hub.seen:
        base: dict[str, object] = {}
        for one in json.loads(payload) if topic == RECORDS else []:
            base |= {key: one[key] for key in ("bn", "bt", "bu") if key in one}
            whole = f"{base.get('bn', '')}{one.get('n', '')}"
            at = float(str(base.get("bt", 0))) + float(one.get("t", 0))
            found.append({**one, "n": whole, "t": at, "u": one.get("u", base.get("bu"))})
    return found


async def test_hub_shows_why_the_valve_is_shut(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=60")
    controller = stage.controller
    with stage.daemon(fill_fraction=0.9):
        await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        await controller.told("ppm 60")
        await hub.has(f"{HUB}/fill/phase", "pause")
        await controller.told("ppm 5")
        await hub.has(f"{HUB}/fill/phase", "fill")
        phase = missing = ""
        unexplained = []
        for topic, payload in hub.seen:
            if topic == f"{HUB}/valve/missing":
                missing = payload
            elif topic == f"{HUB}/fill/phase":
                phase = payload
            elif topic == f"{HUB}/product/ppm" and phase == "pause" and missing == "[]":
                # A later reading than the one that began or ended the pause.
                unexplained.append((topic, payload))
        assert unexplained == [], "it is shut in a pause, and no permissive is missing"
        await controller.told("ppm 250")
        await hub.has(f"{HUB}/health/trips", '["product-over-limit"]')
        await hub.until(
            lambda seen: seen.kept[f"{HUB}/health/status"] != "good",
            "a trip is latched, and the health is good",
        )


async def test_records_come_nearly_live_in_order_and_with_the_units_of_their_names(
    stage: Stage, hub: Hub
) -> None:
    await stage.set_up("tank=117")
    with stage.daemon(records_every_s=1):
        await stage.controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        since = time.time()
        await hub.until(
            lambda seen: any(
                one["n"] == "bog/barrel/reservoir/volume" and float(str(one["t"])) >= since
                for one in records(hub)
            ),
            "no record of the volume came",
        )
        late_s = time.time() - max(float(str(one["t"])) for one in records(hub))
        assert late_s <= 10, f"the newest record is {late_s:.0f} s old"
        await stage.controller.first("shut", cause="close")
        await counts_every_pulse(hub, stage.controller)
        await hub.until(
            lambda _: any("/fill/" in str(one["n"]) for one in records(hub)), "the fill left no record"
        )
    came = records(hub)
    times = [float(str(one["t"])) for one in came]
    assert times == sorted(times), "the records of one reservoir are out of order"
    for one in came:
        for ending, unit in UNIT_OF_ENDING.items():
            assert not str(one["n"]).endswith(ending) or one["u"] == unit, f"{one} contradicts itself"


async def test_what_a_stranger_overwrites_is_mended_with_the_heartbeat(stage: Stage, hub: Hub) -> None:
    await stage.set_up()
    with stage.daemon():
        await stage.controller.first("shut")
        await stage.controller.told("unplugged")
        alarm = f"{HUB}/$alert/probe-failure"
        await hub.until(lambda seen: alarm in seen.kept, "no alarm of the probe")
        right = {
            topic: hub.kept[topic]
            for topic in (alarm, f"{HUB}/$state", f"{HUB}/$description", "homie/5/bog/$state")
        }
        for topic in right:
            await hub.sends(topic, "lost", retain=True)
            await hub.has(topic, "lost")
        for topic, payload in right.items():
            await hub.has(topic, payload)
        await hub.sends(alarm, "", retain=True)
        await hub.has(alarm, right[alarm])


async def test_refused_command_is_one_warning_in_the_words_of_the_manual(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=150")
    with stage.daemon():
        await hub.has(f"{HUB}/fill/phase", "idle")
        await hub.sends(f"{HUB}/valve/hold/set", "true")
        await hub.has(f"{HUB}/valve/hold", "true")
        seen = len(hub.seen)
        await hub.sends(f"{HUB}/fill/start/set", "start")
        await hub.said(f"{HUB}/$log/warn", "hold")
        await hub.sends(f"{HUB}/valve/hold/set", "false")
        await hub.has(f"{HUB}/valve/hold", "false")
        warned = [text for topic, text in hub.seen[seen:] if topic == f"{HUB}/$log/warn"]
        assert len(warned) == 1, f"one refusal, and these warnings: {warned}"
        logged = [text for topic, text in hub.seen if "/$log/" in topic]
        assert [text for text in logged if re.search(r"\b[A-Z][a-z]+[A-Z][a-z]", text)] == [], (
            "names of the program's classes are shown"
        )
