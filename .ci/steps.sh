# What the stages share; sourced by them.

# install COMMAND-OR-FILE:PACKAGE ...: install the Debian packages of what is not there.
install() {
    local missing=() pair
    for pair in "$@"; do
        command -v "${pair%%:*}" >/dev/null || [ -e "${pair%%:*}" ] || missing+=("${pair##*:}")
    done
    [ ${#missing[@]} -eq 0 ] && return
    echo "+ apt-get install ${missing[*]}"
    export DEBIAN_FRONTEND=noninteractive
    { apt-get install -y -qq --no-install-recommends "${missing[@]}" ||
        { apt-get update -qq && apt-get install -y -qq --no-install-recommends "${missing[@]}"; }; } >/dev/null
}

# step NAME COMMAND ...: run it, and say how long it took.
step() {
    local name=$1 began=$SECONDS
    shift
    echo "+ $name: $*"
    "$@"
    echo "= $name: $((SECONDS - began)) s"
}
