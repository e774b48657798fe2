"""A master of pymodbus: asks once and prints what it got.

usage: pymodbus_master.py PORT BAUD ADDRESS TABLE START COUNT
Prints the words in decimal, separated by blanks, or "error: TEXT".
"""

import sys

from pymodbus.client import ModbusSerialClient

port, baud, address, table, start, count = sys.argv[1:7]
client = ModbusSerialClient(port, baudrate=int(baud), parity="N", timeout=2, retries=0)
client.connect()
ask = {
    "coil": client.read_coils,
    "discrete": client.read_discrete_inputs,
    "holding": client.read_holding_registers,
    "input": client.read_input_registers,
}[table]
try:
    answer = ask(int(start), count=int(count), device_id=int(address))
except Exception as error:  # pylint: disable=broad-except
    print(f"error: {error}")
    sys.exit(1)
if answer.isError():
    print(f"error: {answer}")
    sys.exit(1)
words = answer.bits[: int(count)] if table in ("coil", "discrete") else answer.registers
print(*(int(word) for word in words))
