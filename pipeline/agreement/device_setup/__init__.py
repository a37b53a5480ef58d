"""How a device is turned, shifted or scaled, and corrections of its readings: applied and proposed."""
