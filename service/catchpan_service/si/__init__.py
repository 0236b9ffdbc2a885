"""The only place where wire quantities become SI arrays, and SI results become quantities."""
