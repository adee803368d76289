"""Pages for people: templates, the style sheet, sign-in, and one module of routes per page."""
