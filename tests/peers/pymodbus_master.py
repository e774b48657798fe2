"""A master of pymodbus: asks once and prints what it got.

usage: pymodbus_master.py PORT BAUD ADDRESS TABLE START COUNT
Prints the words in decimal, separated by blanks, or "error: TEXT". TABLE may also be server-id, identification (from object
START on) or echo (of START and COUNT), whose texts or bytes are printed.
"""

import sys

from pymodbus.client import ModbusSerialClient

port, baud, address, table, start, count = sys.argv[1:7]
client = ModbusSerialClient(port, baudrate=int(baud), parity="N", timeout=2, retries=0)
client.connect()
start, count, at = int(start), int(count), {"device_id": int(address)}
ask = {
    "coil": lambda: client.read_coils(start, count=count, **at),
    "discrete": lambda: client.read_discrete_inputs(start, count=count, **at),
    "holding": lambda: client.read_holding_registers(start, count=count, **at),
    "input": lambda: client.read_input_registers(start, count=count, **at),
    "server-id": lambda: client.report_device_id(**at),
    "identification": lambda: client.read_device_information(read_code=count, object_id=start, **at),
    "echo": lambda: client.diag_query_data(bytes([start, count]), **at),
}[table]
try:
    answer = ask()
except Exception as error:  # pylint: disable=broad-except
    print(f"error: {error}")
    sys.exit(1)
if answer.isError():
    print(f"error: {answer}")
    sys.exit(1)
if table == "server-id":
    print(answer.identifier)
elif table == "identification":
    print(*(f"{number}={text.decode()}" for number, text in answer.information.items()))
elif table == "echo":
    print(answer.message)
else:
    words = answer.bits[:count] if table in ("coil", "discrete") else answer.registers
    print(*(int(word) for word in words))
