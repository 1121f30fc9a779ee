"""Day before month, the month in letters, 24 hours: as a ward writes them."""

DATE_FORMAT = "j M Y"
TIME_FORMAT = "H:i"
DATETIME_FORMAT = "j M Y, H:i"
SHORT_DATE_FORMAT = "j M Y"
SHORT_DATETIME_FORMAT = "j M Y, H:i"
