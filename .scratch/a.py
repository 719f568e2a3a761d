import re,pathlib
def sub(path, *pairs):
    p=pathlib.Path(path); s=p.read_text()
    for a,b in pairs:
        assert s.count(a)==1,(path,a,s.count(a))
        s=s.replace(a,b)
    p.write_text(s)
sub("bridge/daemon/page_host.py",
('''from collections.abc import Callable, Sequence
''','''from collections import OrderedDict
from collections.abc import Callable, Sequence
'''),
('''_KEPT_OF_ENVIRONMENT = ''','''MOST_KEYS = 64
"""Commands whose result is kept, so that a command sent again gets the result of the first time."""
EXPIRED = "The command waited too long for the bridge. It was not carried out; send it again if you still want it."
_KEPT_OF_ENVIRONMENT = '''),
('''        self._process: asyncio.subprocess.Process | None = None
        self._troubled''','''        self._results: OrderedDict[str, CommandResult | list[int]] = OrderedDict()
        """By key: the result of a command, or the numbers of the requests that wait for it."""
        self._process: asyncio.subprocess.Process | None = None
        self._troubled'''),
('''        layout = self._plan.layout
        device =''','''        if self._is_repeated(request):
            return
        if self._loop.time() >= request.expires_at:
            self._refuse(request, self._known(request.reservoir), EXPIRED, "refused")
            return
        layout = self._plan.layout
        device ='''),
('''                self._send_result(CommandResult(request.number, "done", "Done."))
''','''                self._finish(request, CommandResult(request.number, "done", "Done."))
'''),
('''                self._send_result(CommandResult(request.number, "refused", sentence))
''','''                self._finish(request, CommandResult(request.number, "refused", sentence))
'''),
('''    def _refuse(self, request: CommandRequest, reservoir: str, sentence: str) -> None:
        result = CommandResult(request.number, "malformed", sentence)
        self._on_refused(reservoir, sentence, lambda: self._send_result(result))
''','''    def _is_repeated(self, request: CommandRequest) -> bool:
        """Answer a command that was received before, by its key; return False if it is new."""
        if request.key == "":
            return False
        match self._results.get(request.key):
            case CommandResult() as known:
                self._send_result(replace(known, number=request.number))
                return True
            case list() as waiting:
                waiting.append(request.number)
                return True
        self._results[request.key] = [request.number]
        if len(self._results) > MOST_KEYS:
            self._results.popitem(last=False)
        return False

    def _known(self, reservoir: str) -> str:
        return reservoir if any(one.reservoir == reservoir for one in self._setup.reservoirs) else ""

    def _refuse(
        self, request: CommandRequest, reservoir: str, sentence: str, status: str = "malformed"
    ) -> None:
        result = CommandResult(request.number, status, sentence)
        self._on_refused(reservoir, sentence, lambda: self._finish(request, result))

    def _finish(self, request: CommandRequest, result: CommandResult) -> None:
        waiting = self._results.get(request.key)
        if isinstance(waiting, list):
            self._results[request.key] = result
            for number in waiting:
                self._send_result(replace(result, number=number))
        else:
            self._send_result(result)
'''),
('''from dataclasses import astuple
''','''from dataclasses import astuple, replace
'''),
)
sub("bridge/web/app.py",
('''RESULT_S = 5.0
''','''EXPIRES_S = 4.0
"""The daemon refuses a command that it reads later than this after the click."""
RESULT_S = 6.0
"""How long a browser waits for the result."""
'''),
('''_LONGEST = {"property": LONGEST_PROPERTY, "value": LONGEST_VALUE, "unit": LONGEST_UNIT}
''','''_LONGEST = {
    "property": LONGEST_PROPERTY, "value": LONGEST_VALUE, "unit": LONGEST_UNIT, "key": LONGEST_KEY,
}  # fmt: skip
'''),
('''    LONGEST_PROPERTY,
    LONGEST_UNIT,
''','''    LONGEST_KEY,
    LONGEST_PROPERTY,
    LONGEST_UNIT,
'''),
('''            Route(f"{reservoir}/command", self._command, methods=["POST"]),
''','''            Route(f"{reservoir}/command", self._command, methods=["POST"]),
            Route("/api/token", self._check_token, methods=["POST"]),
'''),
('''    async def _command(self, request: Request) -> Response:
        if''','''    def _unauthorized(self, request: Request) -> Response | None:
        address = "" if request.client is None else request.client.host
        return self._token.refused(request.headers.get("authorization"), address, time.monotonic())

    async def _check_token(self, request: Request) -> Response:
        """Answer whether the token is right, so that a person learns it when entering it."""
        return self._unauthorized(request) or JSONResponse({"sentence": "The token is right."})

    async def _command(self, request: Request) -> Response:
        if'''),
('''        address = "" if request.client is None else request.client.host
        authorization = request.headers.get("authorization")
        refused = self._token.refused(authorization, address, time.monotonic())
        if refused is not None:
            return refused
        identity = self._identity(request)
        path, value, unit = _command_in(await _body(request))
''','''        refused = self._unauthorized(request)
        if refused is not None:
            return refused
        identity = self._identity(request)
        path, value, unit, key = _command_in(await _body(request))
'''),
('''        self._send(CommandRequest(number, identity.reservoir, path, value, unit))
''','''        expires_at = time.monotonic() + EXPIRES_S
        self._send(CommandRequest(number, identity.reservoir, path, value, unit, key, expires_at))
'''),
('''                "The bridge did not answer in time. Check whether it carried out the command before you "
                "send it again.",
            )
        return JSONResponse({"sentence": result.sentence}, _STATUS.get(result.status, 500))
''','''                f"The bridge has not answered for {RESULT_S:.0f} s. A command that it did not receive within "
                f"{EXPIRES_S:.0f} s is never carried out; the events of this reservoir show what was.",
            )
        at = self._setup.units.local(time.time()).strftime("%H:%M:%S")
        return JSONResponse({"sentence": result.sentence, "at": at}, _STATUS.get(result.status, 500))
'''),
('''def _command_in(body: bytes) -> tuple[str, str, str]:
    """Return property, value and unit of a command. The''','''def _command_in(body: bytes) -> tuple[str, str, str, str]:
    """Return property, value, unit and key of a command. The'''),
('''        command = {"unit": "", **parsed}
''','''        command = {"unit": "", "key": "", **parsed}
'''),
('''            return command["property"], command["value"], command["unit"]
''','''            return command["property"], command["value"], command["unit"], command["key"]
'''),
('''        f'{LONGEST_PROPERTY} and {LONGEST_VALUE} characters. A measurement may name its unit in "unit".',
''','''        f'{LONGEST_PROPERTY} and {LONGEST_VALUE} characters. A measurement may name its unit in "unit". A text '
        'in "key" is the same each time that the same command is sent, so that it is carried out once.',
'''),
)
