#!/usr/bin/python3
"""Debian's Python, made small enough for the emulated machine: just the modules that some scripts need.

    python_home.py FOLDER SCRIPT...

Makes FOLDER anew: FOLDER/bin/python3, FOLDER/lib/python3.N with compiled modules only (a copied source would have
another time than its compiled form, and be compiled again at each start), FOLDER/lib/python3.N/lib-dynload. In the
machine: PYTHONHOME=FOLDER FOLDER/bin/python3 -S SCRIPT. The shared libraries come along when vm is given the program
with --with: python3 by itself, everything of FOLDER as it is.
"""

import modulefinder
import pathlib
import py_compile
import shutil
import sys

# What the interpreter loads before the first line of a script.
ALWAYS = ["encodings", "encodings.aliases", "encodings.utf_8", "encodings.ascii", "encodings.latin_1", "codecs", "io",
          "abc", "os", "stat", "posixpath", "genericpath", "_collections_abc", "zipimport", "linecache", "traceback"]


def main():
    home, scripts = pathlib.Path(sys.argv[1]), sys.argv[2:]
    finder = modulefinder.ModuleFinder(path=[path for path in sys.path if "dist-packages" not in path],
                                       excludes=["tkinter", "test", "pydoc", "unittest", "doctest", "ssl"])
    for script in scripts:
        finder.run_script(script)
    for name in ALWAYS:
        finder.import_hook(name)
    shutil.rmtree(home, ignore_errors=True)
    library = home / "lib" / f"python3.{sys.version_info.minor}"
    (library / "lib-dynload").mkdir(parents=True)
    (home / "bin").mkdir()
    shutil.copy("/usr/bin/python3", home / "bin" / "python3")
    for name, module in finder.modules.items():
        source = module.__file__
        if name == "__main__" or not source:
            continue
        if not source.endswith(".py"):
            shutil.copy(source, library / "lib-dynload")
            continue
        place = name.replace(".", "/") + ("/__init__" if module.__path__ else "")
        py_compile.compile(source, cfile=str(library / f"{place}.pyc"), dfile=source, doraise=True,
                           invalidation_mode=py_compile.PycInvalidationMode.UNCHECKED_HASH)


if __name__ == "__main__":
    main()
