"""A master of pymodbus that polls for a while, whatever goes wrong, as the controller of a shed does.

usage: pymodbus_controller.py PORT BAUD SECONDS REGISTERS_AT_A_TIME DEVICES REGISTERS TIMEOUT_MS RETRIES
"""

import logging
import sys
import time

from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusException

logging.disable(logging.CRITICAL)
port, seconds = sys.argv[1], float(sys.argv[3])
baud, (at_a_time, devices, registers, timeout, retries) = int(sys.argv[2]), map(int, sys.argv[4:9])
client = ModbusSerialClient(port, baudrate=baud, parity="N", stopbits=2, timeout=timeout / 1000, retries=retries)
client.connect()
begun = time.monotonic()
while time.monotonic() - begun < seconds:
    for device in range(1, devices + 1):
        for start in range(0, registers, at_a_time):
            try:
                client.read_holding_registers(start, count=at_a_time, device_id=device)
            except ModbusException:
                client.connect()
