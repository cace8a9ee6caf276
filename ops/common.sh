# shellcheck shell=bash
# ops/common.sh: what the scripts here share. Sourced, not run; expects the checkout as the working folder.

say() { printf '%s\n' "washfast: $*" >&2; }

stop() {
    say "$*"
    exit 1
}

# quietly COMMAND…: run it without output; when it fails, show all that it said.
quietly() {
    local log status=0
    log=$(mktemp)
    "$@" </dev/null >"$log" 2>&1 || status=$?
    [ "$status" -eq 0 ] || cat "$log" >&2
    rm -f "$log"
    return "$status"
}

# as_root COMMAND…: run it as root where that needs no password; fails otherwise.
as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    else
        sudo -n "$@"
    fi
}

# system_install APT-PACKAGE DNF-PACKAGE BREW-PACKAGE: install it where that is possible without asking.
# A name of "-" means that there is none. Fails without a word when it cannot be done.
system_install() {
    if [ "$1" != - ] && command -v apt-get >/dev/null; then
        as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "$1" && return
        as_root apt-get update && as_root env DEBIAN_FRONTEND=noninteractive \
            apt-get install -y --no-install-recommends "$1"
    elif [ "$2" != - ] && command -v dnf >/dev/null; then
        as_root dnf install -y "$2"
    elif [ "$3" != - ] && command -v brew >/dev/null; then
        brew install "$3"
    else
        return 1
    fi </dev/null >/dev/null 2>&1
}

# install_line APT-PACKAGE DNF-PACKAGE BREW-PACKAGE: the one command that a person would type for it.
install_line() {
    if [ "$1" != - ] && command -v apt-get >/dev/null; then
        echo "sudo apt-get install $1"
    elif [ "$2" != - ] && command -v dnf >/dev/null; then
        echo "sudo dnf install $2"
    elif [ "$3" != - ] && command -v brew >/dev/null; then
        echo "brew install $3"
    else
        echo "install the package that your system calls $1 or $2"
    fi
}
