package config

import (
	"fmt"
	"strings"
	"time"

	"dewline/internal/timezone"
)

// offeredZones are the time zones that a misspelt name is compared with. The program can load every zone of the IANA
// database, but cannot list them.
var offeredZones = strings.Fields(`
Africa/Algiers Africa/Cairo Africa/Casablanca Africa/Johannesburg Africa/Lagos Africa/Nairobi Africa/Tunis
America/Anchorage America/Argentina/Buenos_Aires America/Asuncion America/Bogota America/Caracas America/Chicago
America/Costa_Rica America/Denver America/Detroit America/Edmonton America/Guatemala America/Halifax America/Havana
America/La_Paz America/Lima America/Los_Angeles America/Manaus America/Mexico_City America/Montevideo America/New_York
America/Panama America/Phoenix America/Puerto_Rico America/Santiago America/Santo_Domingo America/Sao_Paulo
America/St_Johns America/Tijuana America/Toronto America/Vancouver America/Winnipeg
Asia/Bangkok Asia/Beirut Asia/Colombo Asia/Dhaka Asia/Dubai Asia/Ho_Chi_Minh Asia/Hong_Kong Asia/Jakarta Asia/Jerusalem
Asia/Karachi Asia/Kathmandu Asia/Kolkata Asia/Kuala_Lumpur Asia/Manila Asia/Qatar Asia/Riyadh Asia/Seoul Asia/Shanghai
Asia/Singapore Asia/Taipei Asia/Tashkent Asia/Tehran Asia/Tokyo Asia/Yangon
Atlantic/Azores Atlantic/Canary Atlantic/Madeira Atlantic/Reykjavik
Australia/Adelaide Australia/Brisbane Australia/Darwin Australia/Hobart Australia/Melbourne Australia/Perth
Australia/Sydney
Europe/Amsterdam Europe/Athens Europe/Belgrade Europe/Berlin Europe/Bratislava Europe/Brussels Europe/Bucharest
Europe/Budapest Europe/Copenhagen Europe/Dublin Europe/Helsinki Europe/Istanbul Europe/Kyiv Europe/Lisbon
Europe/Ljubljana Europe/London Europe/Luxembourg Europe/Madrid Europe/Malta Europe/Minsk Europe/Moscow Europe/Oslo
Europe/Paris Europe/Prague Europe/Riga Europe/Rome Europe/Sarajevo Europe/Skopje Europe/Sofia Europe/Stockholm
Europe/Tallinn Europe/Tirane Europe/Vienna Europe/Vilnius Europe/Warsaw Europe/Zagreb Europe/Zurich
Indian/Antananarivo Indian/Mauritius Indian/Reunion
Pacific/Auckland Pacific/Fiji Pacific/Guam Pacific/Honolulu Pacific/Noumea Pacific/Port_Moresby
UTC`)

// Timezone returns the zone of a name. The error says which one was probably meant.
func Timezone(name string) (*time.Location, error) {
	location, err := timezone.Load(name)
	if err == nil && name != "Local" {
		return location, nil
	}
	if near := nearestZone(name); near != "" {
		return nil, fmt.Errorf("unknown timezone %s: did you mean %q?", quoted(name), near)
	}
	return nil, fmt.Errorf("unknown timezone %s: write an IANA name such as Europe/Lisbon", quoted(name))
}

// nearestZone returns the zone that a name was probably meant to be, or "".
func nearestZone(name string) string {
	if zone := abbreviated[strings.ToUpper(name)]; zone != "" {
		return zone
	}
	for _, zone := range offeredZones {
		if folded(zone) == folded(name) {
			return zone
		}
	}
	for _, zone := range offeredZones { // a town without its continent
		if _, town, _ := strings.Cut(zone, "/"); town != "" && folded(town) == folded(name) {
			return zone
		}
	}
	near := ""
	for _, zone := range offeredZones { // two slips at most: names of zones share their first half
		if len(name) < 64 && distance(folded(name), folded(zone)) <= 2 {
			near = zone
			break
		}
	}
	if _, err := timezone.Load(near); near == "" || err != nil {
		return ""
	}
	return near
}

// abbreviated maps the abbreviation of a zone to a town that keeps its time in summer and winter. The zones of the
// database that have such names keep one time all year, or are there for old programs only.
var abbreviated = map[string]string{
	"AEDT": "Australia/Sydney", "AEST": "Australia/Sydney", "AST": "America/Halifax", "AWST": "Australia/Perth", "BST": "Europe/London",
	"CDT": "America/Chicago", "CEST": "Europe/Berlin", "CET": "Europe/Berlin", "CST": "America/Chicago", "CST6CDT": "America/Chicago",
	"EDT": "America/New_York", "EEST": "Europe/Athens", "EET": "Europe/Athens", "EST": "America/New_York", "EST5EDT": "America/New_York",
	"GMT": "Europe/London", "GMT0": "Europe/London", "HST": "Pacific/Honolulu", "IST": "Asia/Kolkata", "JST": "Asia/Tokyo",
	"MDT": "America/Denver", "MET": "Europe/Berlin", "MSK": "Europe/Moscow", "MST": "America/Denver", "MST7MDT": "America/Denver",
	"NZDT": "Pacific/Auckland", "NZST": "Pacific/Auckland", "PDT": "America/Los_Angeles", "PST": "America/Los_Angeles",
	"PST8PDT": "America/Los_Angeles", "SAST": "Africa/Johannesburg", "WEST": "Europe/Lisbon", "WET": "Europe/Lisbon",
}

// zoneInDoubt returns why a zone that exists is probably not the one that the keeper means; "" if it may be.
func zoneInDoubt(name string, location *time.Location) string {
	zone := abbreviated[strings.ToUpper(name)]
	offset := strings.HasPrefix(name, "Etc/GMT") && name != "Etc/GMT"
	if zone == "" && !offset {
		return ""
	}
	if offset {
		return fmt.Sprintf("%s has no summer time, and its sign means the other way round than most people think: write a town such as Europe/Lisbon", name)
	}
	if town, err := timezone.Load(zone); err == nil && changesClocks(town) && !changesClocks(location) {
		return fmt.Sprintf("%s keeps one time all year, so that days and light hours would be an hour off while clocks are put forward: write a town, such as timezone: %s", name, zone)
	}
	return fmt.Sprintf("%s is an abbreviation, which stands for other rules elsewhere: write a town, such as timezone: %s", name, zone)
}

// changesClocks reports whether a zone has summer time.
func changesClocks(location *time.Location) bool {
	_, january := time.Date(2026, 1, 15, 12, 0, 0, 0, location).Zone()
	_, july := time.Date(2026, 7, 15, 12, 0, 0, 0, location).Zone()
	return january != july
}
