"""A master of minimalmodbus: asks once and prints what it got.

usage: minimalmodbus_master.py PORT BAUD ADDRESS TABLE START COUNT
Prints the words in decimal, separated by blanks, or "error: TEXT".
"""

import sys

import minimalmodbus

port, baud, address, table, start, count = sys.argv[1:7]
device = minimalmodbus.Instrument(port, int(address))
device.serial.baudrate = int(baud)
device.serial.timeout = 2
try:
    if table in ("coil", "discrete"):
        words = device.read_bits(int(start), int(count), functioncode=1 if table == "coil" else 2)
    else:
        words = device.read_registers(int(start), int(count), functioncode=3 if table == "holding" else 4)
except (OSError, ValueError) as error:
    print(f"error: {error}")
    sys.exit(1)
print(*words)
