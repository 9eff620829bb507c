"""x"""
def run() -> None:
    """x"""
