package trial

import (
	"encoding/json"
	"io"
	"slices"
)

// The JSON of a result is described in configs/formats.md.

// playerJSON is what a player has done.
type playerJSON struct {
	Audible          float64               `json:"audible"` // a room-year
	AudibleWorstYear int                   `json:"audible_worst_year"`
	False            float64               `json:"false"`
	FalseWorstYear   int                   `json:"false_worst_year"`
	Messages         float64               `json:"messages"` // the silent ones with them
	CriticalFound    int                   `json:"critical_found"`
	CriticalMissed   int                   `json:"critical_missed"`
	BandFound        int                   `json:"band_found"`
	BandMissed       int                   `json:"band_missed"`
	Delays           map[string]*delayJSON `json:"delays"` // in minutes
	Uncalled         map[string]callJSON   `json:"not_clear"`
	Sounds           map[string]int        `json:"audible_by_cause"` // heartbeats aside; empty for players that send nothing but calls
}

// delayJSON is null where no stay was found.
type delayJSON struct {
	Spread
	Beyond Spread `json:"beyond_allowed"`
}

// callJSON counts the stays of one kind that are not clear.
type callJSON struct {
	CriticalFound  int `json:"critical_found"`
	CriticalMissed int `json:"critical_missed"`
	BandFound      int `json:"band_found"`
	BandMissed     int `json:"band_missed"`
}

// forecastsJSON is what the forecasts of dewline were worth.
type forecastsJSON struct {
	True     float64   `json:"true"` // a room-year
	Close    float64   `json:"too_close"`
	False    float64   `json:"false"`
	Timed    int       `json:"with_interval"` // true ones that gave an interval for the crossing
	InTime   int       `json:"in_interval"`   // those whose crossing lay in it
	Critical aheadJSON `json:"critical"`
	Band     aheadJSON `json:"band"`
}

// aheadJSON says which clear stays were foreseen, and how many minutes before the end of their allowed time; null where none was.
type aheadJSON struct {
	Foreseen    int             `json:"foreseen"`
	Missed      int             `json:"missed"`
	Lead        *int            `json:"lead_median"`
	Unasked     int             `json:"no_forecast_asked"` // of both, those of a quantity of which none is asked: humidity
	Foreseeable foreseeableJSON `json:"foreseeable"`
}

// foreseeableJSON is what is left without those, and without stays that begin too soon after a jump, darkness or blindness.
type foreseeableJSON struct {
	Foreseen int `json:"foreseen"`
	Missed   int `json:"missed"`
}

func (r *Result) forecasts() forecastsJSON {
	t := r.Players[playerDewline]
	ahead := func(critical bool) aheadJSON {
		made := aheadJSON{Foreseen: t.Foreseen[critical].Found, Missed: t.Foreseen[critical].Missed, Unasked: t.Unasked[critical]}
		made.Foreseeable = foreseeableJSON{t.Foreseeable[critical].Found, t.Foreseeable[critical].Missed}
		if leads := slices.Sorted(slices.Values(t.Leads[critical])); len(leads) > 0 {
			made.Lead = &leads[len(leads)/2]
		}
		return made
	}
	return forecastsJSON{
		True: r.perYear(t.Forecasts[True]), Close: r.perYear(t.Forecasts[TooClose]), False: r.perYear(t.Forecasts[False]),
		Timed: t.Timed, InTime: t.InTime, Critical: ahead(true), Band: ahead(false),
	}
}

func (r *Result) player(i int) playerJSON {
	t := r.Players[i]
	critical, band := t.Sum(Clear, true), t.Sum(Clear, false)
	p := playerJSON{
		Audible: r.perYear(t.Audible()), AudibleWorstYear: r.worst(i, func(y Year) int { return y.Audible }),
		False: r.perYear(t.Phone.False()), FalseWorstYear: r.worst(i, func(y Year) int { return y.False }),
		Messages:      r.perYear(t.Audible() + t.Notices.All()),
		CriticalFound: critical.Found, CriticalMissed: critical.Missed, BandFound: band.Found, BandMissed: band.Missed,
		Delays: map[string]*delayJSON{"critical": nil, "band": nil}, Uncalled: map[string]callJSON{}, Sounds: t.Sounds,
	}
	for name, critical := range map[string]bool{"critical": true, "band": false} {
		if all, ok := t.spread(critical, false); ok {
			beyond, _ := t.spread(critical, true)
			p.Delays[name] = &delayJSON{all, beyond}
		}
	}
	for kind := Close; kind < kindCount; kind++ {
		critical, band := t.Sum(kind, true), t.Sum(kind, false)
		p.Uncalled[kind.String()] = callJSON{critical.Found, critical.Missed, band.Found, band.Missed}
	}
	return p
}

// WriteJSON writes the result as one object.
func (r *Result) WriteJSON(w io.Writer) error {
	players := map[string]playerJSON{}
	for i, name := range PlayerNames {
		players[name] = r.player(i)
	}
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	return encoder.Encode(struct {
		RoomYears int                   `json:"room_years"`
		Seed      uint64                `json:"seed"`
		World     World                 `json:"world"`
		Keeper    KeeperKind            `json:"keeper"`
		Faults    []Fault               `json:"faults"`
		GoalsMet  bool                  `json:"goals_met"`
		Goals     []Goal                `json:"goals"`
		Players   map[string]playerJSON `json:"players"`
		Misses    []Miss                `json:"misses"` // of dewline, clear stays
		Forecasts forecastsJSON         `json:"forecasts"`

		FalseAlarms map[string]int `json:"false_alarms_by_cause"` // of limits, of dewline
	}{r.RoomYears, r.Seed, r.World, r.Keeper, append([]Fault{}, r.Faults...), r.GoalsMet(), r.Goals(), players, append([]Miss{}, r.Misses...), r.forecasts(), r.Players[playerDewline].Causes})
}
