"""Open formats that describe what is on a place: ASC MHL and checksum lists."""
