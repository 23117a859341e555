"""Puts frames on a virtual CAN link, error frames too: what a driver reports is delivered by it like any frame.

    inject.py INTERFACE ID:DATA...        hex: the identifier word with its flags, the data bytes

Runs inside tests/bench/vm.
"""

import socket
import struct
import sys


def main():
    bus = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    bus.bind((sys.argv[1],))
    for word in sys.argv[2:]:
        identifier, data = word.split(":")
        data = bytes.fromhex(data)
        bus.send(struct.pack("=IB3x8s", int(identifier, 16), len(data), data))


if __name__ == "__main__":
    main()
