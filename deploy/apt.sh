# Sourced by deploy/install, tests/run and .ci/run: apt_waiting is apt-get for a script, which waits
# for whoever else is at Debian's packages; a machine looks for updates by itself just after it boots.
apt_waiting() {
    local said try
    for try in $(seq 60); do
        # the timeout is for dpkg's lock alone: for the lists apt-get asks once and gives up
        said=$(DEBIAN_FRONTEND=noninteractive apt-get -qq -o DPkg::Lock::Timeout=600 \
            -o Dpkg::Use-Pty=0 "$@" 2>&1 >/dev/null) && return
        [[ $said == *"Could not get lock"* ]] || break
        sleep 5
    done
    printf '%s\n' "$said" >&2
    return 1
}
