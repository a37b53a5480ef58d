"""How a device is turned, shifted or scaled, and corrections of its readings.

Applied and proposed.
"""
