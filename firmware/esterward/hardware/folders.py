"""The folders in which the Linux kernel shows what is read here (Linux ABI: w1, iio, hwmon)."""

from __future__ import annotations

from typing import Final

W1_DIR: Final = "/sys/bus/w1/devices"      # the probes
IIO_DIR: Final = "/sys/bus/iio/devices"    # the barometer
HWMON_DIR: Final = "/sys/class/hwmon"      # the board's own voltage sensor
