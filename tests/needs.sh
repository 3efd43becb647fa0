# What the start commands need of the machine; sourced by app/start, tests/run and tests/bench.

# shared_object NAME: whether a library of that name lies where Debian puts libraries, LLVM's own folders among them.
shared_object() {
    local folder
    for folder in '/usr/lib/llvm*/lib' '/usr/lib/*' '/usr/lib*'; do
        compgen -G "$folder/$1*" >/dev/null && return
    done
    return 1
}

# has THING: whether a command, a library, or a part of Python that has no command of its own, is there.
has() {
    case $1 in
        # The camera library's binding to the kernel is made by it (bindgen). libclang-cpp, which comes with LLVM, is another library.
        libclang) [ -n "${LIBCLANG_PATH-}" ] || shared_object libclang.so || shared_object 'libclang-[0-9]' ;;
        # What a window is drawn and typed through is loaded when it opens; no command goes with it.
        lib*.so.*) [ -x /sbin/ldconfig ] && /sbin/ldconfig -p | grep -q "$1" ;;
        mesa) compgen -G '/usr/lib/*/dri/swrast_dri.so' >/dev/null || compgen -G '/usr/lib/*/libgallium*.so' >/dev/null ;;
        alsa) pkg-config --exists alsa 2>/dev/null ;;
        python3-ensurepip) python3 -c 'import ensurepip, venv' 2>/dev/null ;;
        *) command -v "$1" >/dev/null ;;
    esac
}

# need_packages PACKAGE:THING…: installs the Debian package of every thing that is missing; names them where it may not.
need_packages() {
    local pair missing=() administrator=()
    for pair in "$@"; do
        has "${pair#*:}" || missing+=("${pair%%:*}")
    done
    ((${#missing[@]} == 0)) && return
    if ((EUID != 0)); then
        administrator=(sudo)
    fi
    if command -v apt-get >/dev/null && { ((EUID == 0)) || { command -v sudo >/dev/null && { [ -t 0 ] || sudo -n true 2>/dev/null; }; }; }; then
        echo "installing with apt-get: ${missing[*]}"
        "${administrator[@]}" apt-get update -qq &&
            "${administrator[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "${missing[@]}" >/dev/null && return
    fi
    echo "missing, and not to be installed from here: ${missing[*]}" >&2
    echo "an administrator installs them with: apt-get install ${missing[*]}" >&2
    exit 2
}

# What landfit is built with and what its window opens through.
window_packages=(pkg-config:pkg-config libasound2-dev:alsa libgl1:libGL.so.1 libegl1:libEGL.so.1 libgl1-mesa-dri:mesa
    libxkbcommon-x11-0:libxkbcommon-x11.so.0 libxcursor1:libXcursor.so.1 libxi6:libXi.so.6 libxrandr2:libXrandr.so.2)

# need_rust [COMPONENT…]: finds cargo, and adds rustup's components that are missing.
need_rust() {
    if ! command -v cargo >/dev/null && [ -r "${CARGO_HOME:-$HOME/.cargo}/env" ]; then
        # shellcheck disable=SC1091
        source "${CARGO_HOME:-$HOME/.cargo}/env"
    fi
    if ! command -v cargo >/dev/null; then
        echo "Rust is missing: install it from https://rustup.rs, then run this again" >&2
        exit 2
    fi
    local component tool
    for component in "$@"; do
        tool=${component/rustfmt/fmt}
        cargo "$tool" --version >/dev/null 2>&1 && continue
        if ! command -v rustup >/dev/null || ! rustup component add "$component"; then
            echo "Rust's $component is missing: rustup component add $component, or the package of that name" >&2
            exit 2
        fi
    done
}

# python_environment: makes .venv with the libraries of tests/requirements.txt, unless it is there already.
python_environment() {
    if ! .venv/bin/python -c '' 2>/dev/null; then
        python3 -m venv --clear .venv || return 1
    fi
    if ! cmp -s tests/requirements.txt .venv/requirements.txt; then
        .venv/bin/python -m pip install --quiet --disable-pip-version-check -r tests/requirements.txt || return 1
        cp tests/requirements.txt .venv/requirements.txt
    fi
}
