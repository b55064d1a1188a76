"""Arrays in, arrays out: functions on the sphere. No antenna is known here."""
