class Refused(ValueError):
    """The layers' refusal of an input that is well formed but cannot be: the message says what is wrong and what to do.

    *field* names the input that it belongs to, empty where it concerns the whole.
    """

    def __init__(self, message: str, field: str = "") -> None:
        super().__init__(message)
        self.field = field
