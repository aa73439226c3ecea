"""The maker's own reactor from a recorded heat-up: `esterward rehearse --fit RECORD`.

window: which ticks of a record tell something. model: heat as ten numbers, fitted with scipy.
report: words for a person and the [measured] table for reactor.toml.
"""
