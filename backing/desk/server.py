"""The desk's server: one folder, for the browser on this machine alone.

A page gets in by the token in the address, which is good once and stands behind the ``#``, so that
no request and no log holds it. It is exchanged for a key that the page sends with every question;
another site's page has neither, and a request that comes by another name or from another origin is
refused besides. What a page shows is pushed to it as server-sent events.

Starlette and uvicorn: the smallest of the kept ASGI pairs, of pure Python, which answer and stream
in one process; questions are plain POST requests, which need no WebSocket.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import hmac
import itertools
import json
import secrets
import socket
import time
import webbrowser
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send
from watchfiles import awatch

from backing.desk import look, play, take
from backing.desk.folder import ChangedError, Folder, FolderError
from backing.desk.publish import OUT, Job, offers
from backing.lesson.starter import write_starter
from backing.processes import pool
from phrases.errors import BluesError
from phrases.moves.proposals import appended, propose
from phrases.rewrite import tidy

__all__ = ["PORT", "Desk", "DeskError", "run"]

HERE = Path(__file__).parent
PORT = 8377
LINGER = 90.0  # seconds from the last window to the end
FIRST = 900.0  # seconds that it waits for the first one
BEAT = 10.0  # seconds between two signs of life
GRACE = 5  # seconds for what is being answered when the server stops
LARGEST = 2_500_000  # bytes of a question: a text of 1 MB, with what JSON adds
KEPT = 8  # what was asked to be played last
TYPES = {".js": "text/javascript", ".css": "text/css"}
STATIC = (
    "desk.css", "desk.js", "ask.js", "jobs.js", "take.js", "notes.js", "neck.js", "sound.js",
    "worklet.js", "vendor/codemirror.js",
)  # fmt: skip
SHARED = ("recorder.js", "ear.js", "tokens.css")  # with the practice page
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'nonce-{nonce}'; connect-src 'self'; "
    "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types desk"
)
HEADERS = {
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}


class DeskError(BluesError, OSError):
    """A desk that cannot be opened."""


class Desk:
    """A folder, the windows on it and what they have asked for."""

    def __init__(self, folder: Folder, port: int) -> None:
        self.folder = folder
        self.port = port
        self.token = secrets.token_urlsafe(24)
        self._key = secrets.token_urlsafe(24)
        self._windows: dict[str, asyncio.Queue[str]] = {}
        self._quiet = time.monotonic() + FIRST - LINGER
        self._jobs: dict[int, tuple[Job, asyncio.Task[None]]] = {}
        self._numbers = itertools.count(1)
        self._playing: dict[int, play.Playing] = {}
        self._pool: ProcessPoolExecutor | None = None
        self._newest: dict[str, int] = {}
        self._drawing = asyncio.Lock()
        self.drawn = 0  # previews that were made
        self._over = False
        self.ended: Callable[[], None] = lambda: None

    # --- windows

    def tell(self, event: str, **told: Any) -> None:
        """Push an event to every window."""
        line = f"event: {event}\ndata: {json.dumps(told)}\n\n"
        for queue in self._windows.values():
            queue.put_nowait(line)

    def end(self) -> None:
        """End what is told to the windows, so that no request outlives the server."""
        self._over = True
        self.tell("end")

    async def events(self, request: Request) -> Response:
        """Push what happens to a window, until it goes."""
        window = request.query_params.get("window", "")
        queue: asyncio.Queue[str] = asyncio.Queue()

        async def lines() -> AsyncIterator[str]:
            self._windows[window] = queue
            try:
                yield ": here\n\n"
                while not self._over:
                    with contextlib.suppress(TimeoutError):
                        yield await asyncio.wait_for(queue.get(), BEAT)
                        continue
                    yield ": still\n\n"
            finally:
                if self._windows.get(window) is queue:
                    del self._windows[window]
                self._quiet = time.monotonic()

        return StreamingResponse(lines(), media_type="text/event-stream")

    async def watch(self) -> None:
        """Tell the windows what changes in the folder, and end when no window has been here."""

        async def files() -> None:
            async for changes in awatch(self.folder.root, debounce=200, step=50):
                names = {Path(path).name for _, path in changes}
                if any(name.endswith(".toml") and name[:1] != "." for name in names):
                    self.tell("folder", files=await run_in_threadpool(self.folder.listing))

        async with asyncio.TaskGroup() as group:
            watching = group.create_task(files())
            while (
                self._windows
                or any(job.running for job, _ in self._jobs.values())
                or time.monotonic() - self._quiet < LINGER
            ):
                await asyncio.sleep(1)
            watching.cancel()
        self.ended()

    # --- questions, each a dictionary, and their answers

    async def _open(self, asked: dict[str, Any]) -> dict[str, Any]:
        name = asked["name"]
        found = self.folder.read(name)
        mine = [
            one for one in self.folder.drafts(name)
            if one["window"] == asked["window"] or one["window"] not in self._windows
        ]  # fmt: skip
        drafts = [one for one in mine if one["text"] != found.text]
        return {"text": found.text, "stamp": found.stamp, "draft": drafts[0] if drafts else None,
                "windows": [one for one in self._windows if one != asked["window"]]}  # fmt: skip

    async def _look(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Keep a text as a draft and return what there is to see of it; of many only the last."""
        name, window, number = asked["name"], asked["window"], int(asked["number"])
        if number < self._newest.get(window, 0):
            return {"stale": True}
        self._newest[window] = number
        path = self.folder.path(name)
        if "stamp" in asked:
            self.folder.keep(name, window, asked["text"], asked["stamp"])
        async with self._drawing:
            if number < self._newest[window]:
                return {"stale": True}
            self.drawn += 1
            words = (path, self.folder.root, asked["text"], asked["kind"], asked["variation"])
            try:
                self._pool = self._pool or pool(1)
                if self._pool is None:
                    return await run_in_threadpool(look.look, *words)
                loop = asyncio.get_running_loop()
                return await loop.run_in_executor(self._pool, look.look, *words)
            except BrokenProcessPool:
                self._pool = None
                raise FolderError("the drawing process ended; change the text, then it is "
                                  "tried again") from None  # fmt: skip

    async def _save(self, asked: dict[str, Any]) -> dict[str, Any]:
        name, window = asked["name"], asked["window"]
        # A preview that was asked for before it keeps no draft after it.
        self._newest[window] = max(int(asked.get("number", 0)), self._newest.get(window, 0))
        try:
            saved = self.folder.save(name, asked["text"], asked["stamp"])
        except ChangedError as error:
            return {"changed": {"text": error.now.text, "stamp": error.now.stamp}}
        self.folder.drop(name, window)
        self.tell("saved", name=name, window=window, stamp=saved.stamp)
        return {"stamp": saved.stamp}

    async def _drop(self, asked: dict[str, Any]) -> dict[str, Any]:
        self.folder.drop(asked["name"], asked["window"])
        return {}

    async def _tidy(self, asked: dict[str, Any]) -> dict[str, Any]:
        path = self.folder.path(asked["name"])
        return {"text": await run_in_threadpool(tidy, asked["text"], str(path))}

    async def _new(self, asked: dict[str, Any]) -> dict[str, Any]:
        name = asked["name"].strip().removesuffix(".toml") + ".toml"
        path = self.folder.path(name)
        made = write_starter(path.with_suffix(""), lesson=bool(asked["lesson"]),
                             phrase=Path(asked.get("phrase", "")).name)  # fmt: skip
        return {"name": made.relative_to(self.folder.root).as_posix()}

    async def _play(self, asked: dict[str, Any]) -> dict[str, Any]:
        path = self.folder.path(asked["name"])
        look.inside(path, self.folder.root, asked["text"])
        make = play.taking if "take" in asked else play.playing
        what = await run_in_threadpool(make, path, asked["text"], asked)
        number = next(self._numbers)
        self._playing[number] = what
        for old in list(self._playing)[:-KEPT]:
            del self._playing[old]
        return {"number": number, "times": what.times, "seconds": what.seconds, "rate": play.RATE}

    async def _vary(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Return proposals of variations, each with what it adds to the text."""
        path, text = self.folder.path(asked["name"]), asked["text"]
        look.inside(path, self.folder.root, text)

        def found() -> list[dict[str, str]]:
            return [
                {"name": one.name, "words": one.words,
                 "more": appended(text, [one], str(path))[len(text) :]}
                for one in propose(look.parsed(path, text), seed=int(asked["seed"]))
            ]  # fmt: skip

        return {"proposals": await run_in_threadpool(found)}

    async def sound(self, request: Request) -> Response:
        """Stream one layer of what was asked to be played."""
        what = self._playing.get(request.path_params["number"])
        layer = request.path_params["layer"]
        if what is None or layer not in ("lead", "band"):
            return JSONResponse({"error": "there is no such sound"}, 404)
        return StreamingResponse(play.sound(what, layer), media_type="application/octet-stream")

    async def _offers(self, asked: dict[str, Any]) -> dict[str, Any]:
        path = self.folder.path(asked["name"])
        look.inside(path, self.folder.root, self.folder.read(asked["name"]).text)
        return {"offers": await run_in_threadpool(offers, self.folder, asked["name"],
                                                  asked["kind"])}  # fmt: skip

    async def _make(self, asked: dict[str, Any]) -> dict[str, Any]:
        found = (await self._offers(asked))["offers"]
        words = next(one["words"] for one in found if one["what"] == asked["what"])
        for job, _ in self._jobs.values():
            if job.running and job.words == words:
                return {"job": job.number}  # a window that was opened again follows it
        return self._begin(words)

    def _begin(self, words: list[str]) -> dict[str, Any]:
        number = next(self._numbers)
        job = Job(number, self.folder, words, lambda told: self.tell("job", **told))
        self._jobs[number] = job, asyncio.create_task(job.run(self.folder.memory))
        return {"job": number, "command": job.command}

    async def _take(self, request: Request) -> dict[str, Any]:
        """Keep what somebody played, mono float32 frames, and have it caught or heard."""
        asked = dict(request.query_params)
        what = self._playing[int(asked["number"])] if asked["number"] != "0" else None
        how, over = asked["how"], take.over(asked["how"], what, asked)
        if how not in take.SUFFIXES:
            raise ValueError
        rest, kept = b"", take.begun(self.folder, asked["name"], int(asked["rate"]))
        try:
            async for piece in request.stream():
                rest += piece
                whole = len(rest) // 4 * 4
                kept.write(np.frombuffer(rest[:whole], "<f4")[:, None])
                rest = rest[whole:]
                if kept.frames > take.LONGEST * kept.rate:
                    raise FolderError(f"a take has at most {take.LONGEST // 60} minutes here; use "
                                      "`backing record`")  # fmt: skip
        finally:
            take.finished(kept, what)
        return self._begin(
            take.reading_command(kept.path.relative_to(self.folder.root).as_posix(), how, over)
        )

    async def _cancel(self, asked: dict[str, Any]) -> dict[str, Any]:
        if asked["job"] in self._jobs:
            self._jobs[asked["job"]][0].stop()
        return {}

    async def _show(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Open a file that was made here with the machine's own program for it."""
        path = Path(self.folder.root, OUT, *str(asked["path"]).split("/")[1:])
        real = path.resolve()
        if not real.is_relative_to(self.folder.root / OUT) or not real.is_file():
            raise FolderError("there is no such file")
        await run_in_threadpool(webbrowser.open, real.as_uri())
        return {}

    async def _folder(self, asked: dict[str, Any]) -> dict[str, Any]:
        return {
            "name": self.folder.root.name or str(self.folder.root),
            "digest": self.folder.name,
            "files": await run_in_threadpool(self.folder.listing),
            "words": await run_in_threadpool(words),
        }

    # --- the server's side

    async def enter(self, request: Request) -> Response:
        """Exchange the token of the address for the key, once."""
        told = await _body(request)
        given = str(told.get("token", ""))
        if not self.token or not hmac.compare_digest(given.encode(), self.token.encode()):
            return JSONResponse({"error": "this address has been used; the desk prints another "
                                 "when it is started again"}, 403)  # fmt: skip
        self.token = ""
        return JSONResponse({"key": self._key})

    def knows(self, headers: Headers) -> bool:
        """Tell whether a request has the key."""
        given = headers.get("authorization", "").removeprefix("Bearer ")
        return hmac.compare_digest(given.encode(), self._key.encode())

    def app(self) -> Starlette:
        """Return the desk as an ASGI application."""

        def answered(
            answer: Callable[[Any], Any], *, raw: bool = False
        ) -> Callable[[Request], Any]:
            async def endpoint(request: Request) -> Response:
                try:
                    return JSONResponse(await answer(request if raw else await _body(request)))
                except BluesError as error:
                    return JSONResponse({"error": str(error)}, 422)
                except (AttributeError, KeyError, TypeError, ValueError, StopIteration):
                    return JSONResponse({"error": "this question is not understood"}, 400)

            return endpoint

        questions = {
            "folder": self._folder, "open": self._open, "look": self._look, "save": self._save,
            "drop": self._drop, "tidy": self._tidy, "new": self._new, "play": self._play,
            "vary": self._vary,
            "offers": self._offers, "make": self._make, "cancel": self._cancel, "show": self._show,
        }  # fmt: skip
        routes = [
            Route("/", _page),
            *(Route(f"/{name}", _static) for name in (*STATIC, *SHARED)),
            Route("/enter", self.enter, methods=["POST"]),
            Route("/api/events", self.events),
            Route("/api/take", answered(self._take, raw=True), methods=["POST"]),
            Route("/api/sound/{number:int}/{layer}", self.sound),
            *(Route(f"/api/{n}", answered(a), methods=["POST"]) for n, a in questions.items()),
        ]

        @contextlib.asynccontextmanager
        async def lifespan(app: Starlette) -> AsyncIterator[None]:
            watching = asyncio.create_task(self.watch())
            self._pool = pool(1)
            if self._pool is not None:  # so that the first preview need not wait
                self._pool.submit(look.words)
            yield
            watching.cancel()
            for job, task in self._jobs.values():
                job.stop()
                task.cancel()
            if self._pool is not None:
                self._pool.shutdown(wait=False, cancel_futures=True)

        app = Starlette(routes=routes, lifespan=lifespan)
        app.add_middleware(_Guard, desk=self)
        return app


words = cache(look.words)


class _Guard:
    """Refuses what does not come from the desk's own page."""

    def __init__(self, app: ASGIApp, desk: Desk) -> None:
        self.app, self.desk = app, desk
        self.hosts = {f"127.0.0.1:{desk.port}", f"localhost:{desk.port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        why = self._refused(scope, Headers(scope=scope))
        if why:
            await Response(why, 403, HEADERS, "text/plain")(scope, receive, send)
            return

        async def with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                there = {name for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *(
                        (n.encode(), v.encode())
                        for n, v in HEADERS.items()
                        if n.encode() not in there
                    ),
                ]
            await send(message)

        await self.app(scope, receive, with_headers)

    def _refused(self, scope: Scope, headers: Headers) -> str:
        host, origin = headers.get("host", ""), headers.get("origin")
        path = scope["path"]
        if host not in self.hosts:
            return "this is not the desk's address"
        if origin is not None and origin != f"http://{host}":
            return "another page may not ask"
        if path != "/" and headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return "another page may not ask"
        if scope["method"] == "POST" and origin is None:
            return "a question comes from the desk's page"
        if path.startswith("/api/") and not self.desk.knows(headers):
            return "open the address that the desk printed"
        return ""


async def _body(request: Request) -> dict[str, Any]:
    raw = b""
    async for piece in request.stream():
        raw += piece
        if len(raw) > LARGEST:
            raise FolderError("this is too long: a file has at most 1 MB")
    told = json.loads(raw or b"{}")
    if not isinstance(told, dict):
        raise ValueError
    return told


async def _page(request: Request) -> Response:
    nonce = secrets.token_urlsafe(16)
    page = (HERE / "desk.html").read_text(encoding="utf-8").replace("NONCE", nonce)
    return Response(page, 200, {"content-security-policy": POLICY.format(nonce=nonce)},
                    "text/html; charset=utf-8")  # fmt: skip


async def _static(request: Request) -> Response:
    name = request.url.path[1:]
    path = (HERE if name in STATIC else HERE.parent / "page") / name
    return Response(path.read_text(encoding="utf-8"), media_type=TYPES[path.suffix])


def _socket(port: int) -> socket.socket:
    line = socket.socket()
    line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        line.bind(("127.0.0.1", port))
    except OSError as error:
        line.close()
        if error.errno != errno.EADDRINUSE:
            raise DeskError(f"port {port}: {error.strerror}") from None
        raise DeskError(
            f"port {port} is in use, perhaps by a desk that is open already; name another one: "
            f"--port {port + 1}"
        ) from None
    return line


class _Server(uvicorn.Server):
    """A server that tells the desk when it stops."""

    def __init__(self, desk: Desk) -> None:
        super().__init__(uvicorn.Config(
            desk.app(), log_level="error", ws="none", timeout_graceful_shutdown=GRACE,
            server_header=False, date_header=False,
        ))  # fmt: skip
        self.desk = desk

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self.desk.end()
        await super().shutdown(sockets)


def run(folder: Folder, port: int, told: Callable[[str], None], *, browser: bool) -> None:
    """Serve a folder until Ctrl-C, or until no window has been open for a while.

    The port is one of 127.0.0.1, 0 for any that is free; `told` is called with the address once it
    can be opened, and `browser` opens it. Raises `DeskError` if the port is in use.
    """
    with _socket(port) as line:
        port = line.getsockname()[1]
        desk = Desk(folder, port)
        server = _Server(desk)
        address = f"http://127.0.0.1:{port}/#{desk.token}"

        def ended() -> None:
            server.should_exit = True

        desk.ended = ended
        line.listen(128)
        told(address)
        if browser:
            webbrowser.open(address)
        server.run(sockets=[line])
