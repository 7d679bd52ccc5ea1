"""What `python3 -m doughkit` runs; kept so plain that an old Python can read it and say why not."""

import sys


def main():
    if sys.version_info < (3, 11):
        sys.stderr.write(
            "doughkit needs Python 3.11 or newer, and this is Python %d.%d (%s): install a newer "
            "one and call it by its name, as in: python3.11 -m doughkit\n"
            % (sys.version_info[0], sys.version_info[1], sys.executable)
        )
        return 1
    from doughkit.door import enter

    return enter(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
