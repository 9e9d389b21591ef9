#!/bin/sh
# How every container of the image begins: results are for the group to read, or as NEARFAR_UMASK says.
set -eu
umask "${NEARFAR_UMASK:-0027}"
exec nearfar "$@"
