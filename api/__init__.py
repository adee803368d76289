"""The REST API: application factory, routes by subject, errors and authentication."""
