"""Drivers: the only place with gpiozero and w1thermsensor. This file imports nothing."""
