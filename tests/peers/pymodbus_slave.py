"""A slave of pymodbus: registers that a caller names, until it is ended.

usage: pymodbus_slave.py PORT ADDRESS TABLE:START:WORD,WORD,... [...]
PORT is a serial port, or tcp:NUMBER or rtu+tcp:NUMBER, a port of this machine's own where Modbus TCP or serial frames are spoken.
TABLE is coil, discrete, holding or input; words are decimal. Prints "ready" when it listens. Lines of standard input, in the
same form and for registers only, change what was named before while it runs.
"""

import asyncio
import os
import stat
import sys

from pymodbus import FramerType
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


def parse(argument):
    table, start, words = argument.split(":")
    return table, int(start), [int(word) for word in words.split(",")]


def blocks(stretches, table):
    kind = DataType.BITS if table in ("coil", "discrete") else DataType.REGISTERS
    found = [
        SimData(start, values=[bool(word) for word in words] if kind == DataType.BITS else words, datatype=kind)
        for name, start, words in stretches
        if name == table
    ]
    # A table without data is not allowed; one far away stands for "nothing mapped".
    return found or [SimData(65000, values=[False] * 16 if kind == DataType.BITS else [0], datatype=kind)]


TABLE_OF_FUNCTION = {3: "holding", 4: "input"}
# By table and address.
changed = {}
# The loop itself keeps no hold on its tasks.
background = set()


async def changes():
    loop = asyncio.get_running_loop()
    lines = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    while line := await lines.readline():
        table, start, words = parse(line.decode().strip())
        changed.update({(table, start + offset): word for offset, word in enumerate(words)})


async def renew(function, first, _address, _count, registers, _written):
    """Called before registers are read."""
    table = TABLE_OF_FUNCTION.get(function)
    for (of, at), word in changed.items():
        if of == table and 0 <= at - first < len(registers):
            registers[at - first] = word


async def main():
    port, address = sys.argv[1], int(sys.argv[2])
    stretches = [parse(argument) for argument in sys.argv[3:]]
    if stat.S_ISFIFO(os.fstat(sys.stdin.fileno()).st_mode):
        background.add(asyncio.create_task(changes()))
    device = SimDevice(
        address,
        action=renew,
        simdata=tuple(blocks(stretches, table) for table in ("coil", "discrete", "holding", "input")),
    )
    print("ready", flush=True)
    kind, _, number = port.rpartition(":")
    if kind:
        framer = FramerType.RTU if kind == "rtu+tcp" else FramerType.SOCKET
        await StartAsyncTcpServer(device, framer=framer, address=("127.0.0.1", int(number)))
        return
    await StartAsyncSerialServer(device, framer=FramerType.RTU, port=port, baudrate=19200, parity="N", stopbits=1)


asyncio.run(main())
