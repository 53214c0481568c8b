#!/bin/bash
# Unpacks the kernel of Debian's armmp flavour into a folder, as the package of a foreign architecture that is not added to this
# machine. It comes from the mirror that apt uses, with apt's check of its signature, by lists of its own.
set -euo pipefail
into=$1
if compgen -G "$into/boot/vmlinuz-*" > /dev/null; then exit; fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
chmod 755 "$work"
mkdir -p "$work"/{lists/partial,cache/archives/partial}
release=$(. /etc/os-release; echo "$VERSION_CODENAME")
mirror=$(apt-get indextargets --format '$(CODENAME) $(COMPONENT) $(SITE)' 'Identifier: Packages' | sed -n "s/^$release main //p" | head -n 1)
test -n "$mirror" || { echo "apt knows no mirror of $release main: apt-get update" >&2; exit 1; }
echo "deb [arch=armhf] $mirror $release main" > "$work/sources.list"
options=(-qq -o APT::Architecture=armhf -o APT::Architectures=armhf -o Dir::State::Lists="$work/lists" -o Dir::Cache="$work/cache"
	-o Dir::State::status=/dev/null -o Dir::Etc::SourceList="$work/sources.list" -o Dir::Etc::SourceParts=- -o Acquire::Languages=none
	-o Acquire::Retries=3 -o APT::Sandbox::User=root)
apt-get "${options[@]}" update
package=$(apt-cache "${options[@]}" depends --no-recommends --no-suggests linux-image-armmp | sed -n 's/.*Depends: \(linux-image-[0-9].*\)/\1/p' | head -n 1)
(cd "$work" && apt-get "${options[@]}" download "$package")
mkdir -p "$into"
dpkg-deb -x "$work"/linux-image-*.deb "$into"
