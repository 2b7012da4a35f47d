"""What is written in one turn of the event loop goes out together, in order, all of it."""

import asyncio

from service.wire import Gathering


async def sent(steps: str) -> tuple[list[bytes], bytes]:
    """What arrives at the other end of a real connection: each read apart, and all of it.

    ``steps``: a letter is written, a blank is a turn of the loop, a full stop closes.
    """
    received: list[bytes] = []
    ended = asyncio.Event()

    async def listen(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(1000):
            received.append(data)
        writer.close()
        ended.set()

    loop = asyncio.get_running_loop()
    server = await asyncio.start_server(listen, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    transport, _ = await loop.create_connection(asyncio.Protocol, "127.0.0.1", port)
    gathering = Gathering(transport, loop)
    for step in steps:
        if step == " ":
            await asyncio.sleep(0.05)
        elif step == ".":
            gathering.close()
        else:
            gathering.write(step.encode())
    await asyncio.wait_for(ended.wait(), 10)
    server.close()
    return received, b"".join(received)


def test_one_turn_is_one_piece() -> None:
    assert asyncio.run(sent("ab cde .")) == ([b"ab", b"cde"], b"abcde")


def test_closing_sends_what_was_written() -> None:
    assert asyncio.run(sent("abc.")) == ([b"abc"], b"abc")


def test_nothing_is_sent_after_the_end() -> None:
    assert asyncio.run(sent("a.b ")) == ([b"a"], b"a")


def test_everything_else_is_the_transports_own() -> None:
    async def visit() -> None:
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            asyncio.DatagramProtocol, local_addr=("127.0.0.1", 0)
        )
        gathering = Gathering(transport, asyncio.get_running_loop())  # type: ignore[arg-type]
        assert gathering.get_extra_info("sockname") == transport.get_extra_info("sockname")
        assert not gathering.is_closing()
        gathering.close()
        assert gathering.is_closing()

    asyncio.run(visit())
