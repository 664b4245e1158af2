"""The one exception a user's input can raise: its text is the whole message."""


class InputError(ValueError):
    """Something the user wrote cannot be used; the text says what, where and what is allowed."""
