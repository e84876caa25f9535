"""What travels over the wire: requests, media types, strict reading, problems."""
