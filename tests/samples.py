"""Texts that several tests begin from."""

# The smallest batch file that makes a full sheet.
SMALLEST_BATCH = """
[oil]
volume = "120 L"
[titration]
readings = ["2.9 mL", "3.1 mL", "3.0 mL"]
[catalyst]
kind = "KOH"
purity = "90 %"
[methanol]
share = "20 %"
"""

# The keys of `sheet --json` that other programs may rely on.
JSON_KEYS = {"oil_l", "titration", "acid_value_mg_koh_per_g", "ffa_percent", "catalyst", "methanol",
             "ceiling", "setpoint_c", "heating", "warnings"}
