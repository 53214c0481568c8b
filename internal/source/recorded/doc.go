// Package recorded reads and writes readings files: CSV with the header time,point,value,unit and an optional fifth
// column flag.
//
//	time,point,value,unit,flag
//	2026-07-01T13:30:00Z,tub-1/water-temperature,22.4375,Cel,1
//	2026-07-01T13:30:00Z,loft/relative-humidity,81.2,%RH,1
//	2026-07-01T13:30:10Z,tub-1/water-temperature,,Cel,9
//
// Times are RFC 3339, to the nanosecond. Units are the symbols of the IANA SenML registry (RFC 8428) plus degF and the
// spellings that [quantity.ParseUnit] knows. Flags are the IOOS QARTOD values; without the column every row passes. A row
// of flag 9 (missing) may leave its value empty. Quoting follows RFC 4180, a byte order mark and CRLF are accepted,
// empty lines are skipped.
//
// Reading is strict: a row that cannot be understood is an error naming file, line and column, and then nothing of the
// file is returned, since half a record would look like a whole one with gaps.
//
// The package also holds [Player], a sensor that plays such a file back as if it were measured now.
package recorded
