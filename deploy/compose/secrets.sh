#!/bin/sh
# Makes the secrets of docker-compose.yml that may be random, in deploy/secrets. What is there already stays.
#
#   sh deploy/compose/secrets.sh
#
# The folder is open to its owner alone. The files in it must be readable by the users inside the containers, so they
# are of mode 0644; outside nobody reaches them through the folder.
set -eu
cd "$(dirname "$0")/../secrets"
chmod 0700 .
umask 0077

random() {
    if [ ! -s "$1" ]; then
        LC_ALL=C tr -dc 'A-Za-z0-9' < /dev/urandom | head -c 40 > "$1"
        echo "made deploy/secrets/$1"
    fi
    chmod 0644 "$1"
}

random store_password
random grafana_password

if [ ! -e smtp_password ]; then
    : > smtp_password
    echo "deploy/secrets/smtp_password is empty: write the password of your mail server into it"
fi
chmod 0644 smtp_password
echo "Grafana: user lowmark, password in deploy/secrets/grafana_password"
