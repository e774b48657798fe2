"""A slave of pymodbus on a serial port: registers that a caller names, until it is ended.

usage: pymodbus_slave.py PORT ADDRESS TABLE:START:WORD,WORD,... [...]
TABLE is coil, discrete, holding or input; words are decimal. Prints "ready" when it listens.
"""

import asyncio
import sys

from pymodbus import FramerType
from pymodbus.server import StartAsyncSerialServer
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


async def main():
    port, address = sys.argv[1], int(sys.argv[2])
    stretches = [parse(argument) for argument in sys.argv[3:]]
    device = SimDevice(
        address,
        simdata=tuple(blocks(stretches, table) for table in ("coil", "discrete", "holding", "input")),
    )
    print("ready", flush=True)
    await StartAsyncSerialServer(device, framer=FramerType.RTU, port=port, baudrate=19200, parity="N", stopbits=1)


asyncio.run(main())
