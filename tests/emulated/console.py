"""What the emulated board's console said, by the marks in it."""
import re


def said(console):
    """Words after each `MARK name`, by name; what came before the first is `boot`. Colours are left out."""
    words, here = {}, "boot"
    for line in open(console, errors="replace"):
        line = re.sub(r"\x1b\[[0-9;]*m", "", line.replace("\r", ""))
        found = re.search(r"MARK (\S+)", line)
        if found:
            here = found[1]
            words[here] = ""
        else:
            words[here] = words.get(here, "") + line
    return words
