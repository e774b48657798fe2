"""A master of pymodbus that polls for a while and prints how many values it got in a second.

usage: pymodbus_poller.py PORT BAUD SECONDS REGISTERS_AT_A_TIME DEVICES REGISTERS
"""

import sys
import time

from pymodbus.client import ModbusSerialClient

port, (baud, seconds, at_a_time, devices, registers) = sys.argv[1], map(int, sys.argv[2:7])
client = ModbusSerialClient(port, baudrate=baud, parity="N", stopbits=2, timeout=2, retries=0)
client.connect()
values = 0
begun = time.monotonic()
while time.monotonic() - begun < seconds:
    for device in range(1, devices + 1):
        for start in range(0, registers, at_a_time):
            answer = client.read_holding_registers(start, count=at_a_time, device_id=device)
            if answer.isError():
                sys.exit(f"error: {answer}")
            values += len(answer.registers)
print(values / (time.monotonic() - begun))
