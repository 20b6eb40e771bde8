"""Message logs made by an independent, general library of the open protocol, over WebSockets on the loopback."""

from __future__ import annotations

import asyncio
import io
import logging
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from http import HTTPStatus
from types import ModuleType
from typing import Any, NamedTuple

import ocpp.v16
import ocpp.v16.call
import ocpp.v16.call_result
import ocpp.v201
import ocpp.v201.call
import ocpp.v201.call_result
from ocpp.routing import on
from websockets.asyncio.client import connect
from websockets.asyncio.server import serve
from websockets.exceptions import WebSocketException

MODULES: Mapping[str, ModuleType] = {"1.6": ocpp.v16, "2.0.1": ocpp.v201}


class Logs(NamedTuple):
    """What the two sides have written, and both together."""

    station: bytes
    office: bytes
    both: bytes


def now(away_s: float = 0.0) -> str:
    """The time as the protocol writes it, `away_s` seconds off."""
    return datetime.fromtimestamp(time.time() + away_s, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class _Utc(logging.Formatter):
    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:
        return datetime.fromtimestamp(record.created, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _side(version: str, answers: Mapping[str, Any]) -> type:
    """A class of the library that answers each request as told."""
    module = MODULES[version]
    members = {}
    for action, answer in answers.items():
        made = getattr(module.call_result, action)

        def handler(self: Any, _made: Any = made, _answer: Any = answer, **given: Any) -> Any:
            return _made(**(_answer(given) if callable(_answer) else _answer))

        handler.__name__ = f"on_{action}_{version}"
        members[handler.__name__] = on(action)(handler)
    return type("Side", (module.ChargePoint,), members)


def talk(version: str, steps: list[tuple[str, str, dict[str, Any]]], office: Mapping[str, Any], station: Mapping[str, Any]) -> Logs:
    """The logs after `steps`: who calls (`station`, `office`), which request, with what."""
    return asyncio.run(_talk(version, steps, office, station))


async def _talk(version: str, steps: list[tuple[str, str, dict[str, Any]]], office: Mapping[str, Any], station: Mapping[str, Any]) -> Logs:
    texts = {side: io.StringIO() for side in ("station", "office", "both")}
    loggers = {}
    for side in ("station", "office"):
        logger = logging.Logger(f"{side}-side")
        for stream in (texts[side], texts["both"]):
            handler = logging.StreamHandler(stream)
            handler.setFormatter(_Utc("%(asctime)s %(levelname)s %(message)s"))
            logger.addHandler(handler)
        loggers[side] = logger
    module, ready, done = MODULES[version], asyncio.Event(), asyncio.Event()
    sides: dict[str, Any] = {}

    async def serve_one(connection: Any) -> None:
        sides["office"] = _side(version, office)(connection.request.path.rpartition("/")[2], connection, logger=loggers["office"])
        listening = asyncio.create_task(sides["office"].start())
        ready.set()
        await done.wait()
        listening.cancel()

    async with serve(serve_one, "127.0.0.1", 0, subprotocols=[f"ocpp{version}"]) as server:  # type: ignore[list-item]
        port = server.sockets[0].getsockname()[1]
        async with connect(f"ws://127.0.0.1:{port}/ocpp/LARCH-1", subprotocols=[f"ocpp{version}"]) as connection:  # type: ignore[list-item]
            sides["station"] = _side(version, station)("LARCH-1", connection, logger=loggers["station"])
            listening = asyncio.create_task(sides["station"].start())
            await ready.wait()
            for side, action, payload in steps:
                given = {k: v() if callable(v) else v for k, v in payload.items()}  # a date is made when it is sent
                await sides[side].call(getattr(module.call, action)(**given))
                await asyncio.sleep(0)
            done.set()
            listening.cancel()
    return Logs(*(texts[side].getvalue().encode() for side in ("station", "office", "both")))


def refused(status: int) -> bytes:
    """The log of a station whose connection is answered with an HTTP status."""

    async def run() -> str:
        def answer(connection: Any, request: Any) -> Any:
            return connection.respond(HTTPStatus(status), "no\n")

        async def nobody(connection: Any) -> None: ...

        async with serve(nobody, "127.0.0.1", 0, process_request=answer) as server:
            port = server.sockets[0].getsockname()[1]
            url = f"ws://127.0.0.1:{port}/ocpp/LARCH-1"
            try:
                async with connect(url):
                    return ""
            except WebSocketException as error:
                return f"{now()} connecting to {url}\n{now()} {error}\n"

    return asyncio.run(run()).encode()
