package config

import (
	"strings"
	"time"
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

// nearestZone returns the zone that a name was probably meant to be, or "".
func nearestZone(name string) string {
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
	if _, err := time.LoadLocation(near); near == "" || err != nil {
		return ""
	}
	return near
}
