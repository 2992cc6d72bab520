"""The same audit on both event loops, through the function that the commands use."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from probe.collect.loop import run
from probe.model.finding import Verdict


@pytest.mark.parametrize("name", ["asyncio", "uvloop"])
def test_an_audit_on_this_loop(site: Any, gear: Any, name: str) -> None:
    factory = pytest.importorskip("uvloop").new_event_loop if name == "uvloop" else asyncio.SelectorEventLoop

    async def main() -> Any:
        site.stop = asyncio.Event()
        async with gear.Gear() as device:
            address = f"{{host: 127.0.0.1, port: {device.port}}}"
            return await site.audit([f"tag: M-1, address: {address}"]), device.ends

    audited, ends = run(main(), factory=factory)
    assert audited.result.complete
    assert audited.verdict("proof.point", "M-1") is Verdict.PASS
    assert ends == ["FIN"]
