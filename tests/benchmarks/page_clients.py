"""Many clients of the page: ``page_clients.py HOST PORT COUNT`` opens COUNT event streams and reads them."""

import asyncio
import sys


async def client(host: str, port: int, heard: asyncio.Queue[bool]) -> None:
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(
        f"GET /api/events HTTP/1.1\r\nHost: {host}:{port}\r\nAccept: text/event-stream\r\n\r\n".encode()
    )
    head = await reader.readuntil(b"\r\n\r\n")
    heard.put_nowait(b" 200 " in head.split(b"\r\n")[0])
    while await reader.read(65536):
        pass


async def crowd(host: str, port: int, count: int) -> None:
    heard: asyncio.Queue[bool] = asyncio.Queue()
    tasks = [asyncio.create_task(client(host, port, heard)) for _ in range(count)]
    listening = 0
    for _ in tasks:
        listening += await asyncio.wait_for(heard.get(), 10.0)
    print(f"{listening} listen", flush=True)
    await asyncio.wait(tasks)


if __name__ == "__main__":
    asyncio.run(crowd(sys.argv[1], int(sys.argv[2]), int(sys.argv[3])))
