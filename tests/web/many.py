"""A hostile program that opens very many connections to the page, and reopens each closed one.

``python many.py PORT HOW_MANY`` prints "open" when that many connections are open, and ends when its input
ends. One third of the connections send nothing, one third send half a request, and one third request the
events and never read them.
"""

import contextlib
import errno
import os
import resource
import select
import socket
import sys

HALF = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "
LISTEN = b"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


def main(port: int, how_many: int) -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    places = how_many if hard == resource.RLIM_INFINITY else min(how_many, hard - 64)
    poll = select.poll()
    poll.register(0, select.POLLIN)
    held: dict[int, socket.socket] = {}
    asked: set[int] = set()
    opened = refused = 0
    told = False
    while True:
        while len(held) < places and opened - refused - len(held) < 64:
            one = socket.socket()
            one.setblocking(False)
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            outcome = one.connect_ex(("127.0.0.1", port))
            if outcome not in (0, errno.EINPROGRESS):
                one.close()
                break
            held[one.fileno()] = one
            poll.register(one, select.POLLOUT)
            opened += 1
            if len(held) % 64 == 0:
                break
        if opened >= how_many and not told:
            told = True
            print("open", flush=True)
        for number, event in poll.poll(0 if len(held) < places and not told else 20):
            if number == 0:
                if not os.read(0, 1):
                    print(opened, refused, len(held), flush=True)
                    return
                continue
            one = held[number]
            if event & (select.POLLERR | select.POLLHUP):
                poll.unregister(number)
                held.pop(number).close()
                asked.discard(number)
                refused += 1
                continue
            if number not in asked:
                asked.add(number)
                poll.modify(one, 0)
                if number % 3:
                    with contextlib.suppress(OSError):
                        one.send(HALF if number % 3 == 1 else LISTEN)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
