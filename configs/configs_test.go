package configs_test

import (
	"io/fs"
	"math"
	"path"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/configs"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/growth"
	"dewline/internal/core/quantity"
)

// profiles reads every shipped profile; a problem in one, a warning included, fails the test.
func profiles(t *testing.T) map[string]*care.Profile {
	names, err := fs.Glob(configs.Files, "profiles/*.yaml")
	require.NoError(t, err)
	require.Len(t, names, 9)
	all := map[string]*care.Profile{}
	for _, name := range names {
		text, err := fs.ReadFile(configs.Files, name)
		require.NoError(t, err)
		profile, problems := config.ParseProfile(name, text)
		require.Empty(t, problems, name)
		assert.Equal(t, strings.TrimSuffix(path.Base(name), ".yaml"), profile.ID)
		all[profile.ID] = profile
	}
	return all
}

// halves calls check with the day and the night band of every quantity at every stage of every profile.
func halves(t *testing.T, check func(t *testing.T, at care.Stage, q quantity.Quantity, band *care.Band)) {
	for id, profile := range profiles(t) {
		for at, needs := range profile.Care {
			for q, both := range needs.Bands {
				for name, band := range map[string]*care.Band{"day": &both.Day, "night": &both.Night} {
					t.Run(strings.Join([]string{id, at.String(), q.String(), name}, "/"), func(t *testing.T) { check(t, at, q, band) })
				}
			}
		}
	}
}

// The examples must be accepted as they are. Files with passwords are the reader's own, so that their absence may be
// pointed out, and nothing else.
func TestExamplesAreValid(t *testing.T) {
	names, err := fs.Glob(configs.Files, "*.yaml")
	require.NoError(t, err)
	require.ElementsMatch(t, []string{"demo.yaml", "first-alarm.yaml", "microcontroller.yaml", "north-loft.yaml", "phone-access.yaml"}, names)
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			site, problems := config.LoadFS(configs.Files, name)
			for _, problem := range problems {
				assert.Equal(t, config.Warning, problem.Severity)
				assert.Regexp(t, ` (keeper\.password|ines\.hash|tomas\.hash|scraper\.token|web\.pem|web\.key|webhook\.url) does not exist$`, problem.String())
			}
			require.NotNil(t, site)
			assert.NotEmpty(t, site.Sensors)
			assert.NotEmpty(t, site.Notify)
		})
	}
}

func TestNorthLoft(t *testing.T) {
	site, problems := config.LoadFS(configs.Files, "north-loft.yaml")
	require.Empty(t, problems)
	assert.Equal(t, "north-loft", site.ID)
	assert.Equal(t, "Europe/Lisbon", site.Location.String())
	assert.Equal(t, quantity.Fahrenheit, site.Display.Temperature)
	assert.Len(t, site.Places, 12)

	now := time.Date(2026, 9, 15, 12, 0, 0, 0, site.Location)
	require.Len(t, site.Cohorts, 2)
	assert.Equal(t, "tub-1", site.Cohorts[0].Place)
	assert.Equal(t, care.Larva, care.StageAt(site.Cohorts[0].Stages, now))
	assert.Equal(t, "grow-out", site.Cohorts[1].Place)
	assert.Equal(t, care.Juvenile, care.StageAt(site.Cohorts[1].Stages, now))

	bands := map[string]map[quantity.Quantity]care.DayNight{}
	for _, place := range site.Places {
		bands[place.ID] = place.Bands
	}
	assert.Equal(t, 78.0, math.Round(quantity.Fahrenheit.FromCanonical(bands["loft"][quantity.AirTemperature].Day.Limits[care.High])*1e9)/1e9)
	for _, id := range []string{"vivarium-1", "vivarium-2"} {
		air := bands[id][quantity.AirTemperature]
		assert.InDelta(t, 79, quantity.Fahrenheit.FromCanonical(air.At(true).Limits[care.High]), 1e-9, id)
		assert.InDelta(t, 72, quantity.Fahrenheit.FromCanonical(air.At(false).Limits[care.High]), 1e-9, id)
	}
}

func TestProfilesSpeakToTheKeeper(t *testing.T) {
	for id, profile := range profiles(t) {
		t.Run(id, func(t *testing.T) {
			assert.NotEmpty(t, profile.Title)
			assert.Contains(t, profile.Caution, "Starting point. Species, population, local code, permit office and your veterinarian decide.")
			assert.Contains(t, profile.Caution, "residual-current device (RCD, GFCI)")
			for at, needs := range profile.Care {
				assert.NotEmpty(t, needs.Bands, at)
				assert.Contains(t, strings.Join(needs.Notes, "\n"), "Act within", "%s: how soon a person must act", at)
			}
		})
	}
}

// One wording of each caution, in every profile that it concerns: diseases and chemicals in all, mist where humidity has a band, lamps
// where air has one besides that of winter rest, calcium where larvae live.
func TestCautionsAreWhereTheyConcern(t *testing.T) {
	for id, profile := range profiles(t) {
		t.Run(id, func(t *testing.T) {
			for _, words := range []string{
				"Never release an animal, a plant or water.", "Small children, pregnant people and people with weak immunity keep away unless a doctor agrees.",
				"No drug, salt or heat treatment without a veterinarian; every salt, that of a humidity check too, stays away from animals.",
				"household bleach at 3 % or potassium peroxymonosulfate at 1 % for 1 min", "0.12 % sodium hypochlorite for 30 s, or 0.03 % for 15 min",
				"Never bring bleach together with acid or ammonia. Rinse well, let dry.", "Before hands go in, unplug them, and let a heater cool.", "Salmonella",
			} {
				assert.Contains(t, profile.Caution, words)
			}
			humid, air := false, false
			for _, needs := range profile.Care {
				_, hasHumidity := needs.Bands[quantity.RelativeHumidity]
				_, hasAir := needs.Bands[quantity.AirTemperature]
				humid, air = humid || hasHumidity, air || hasAir
			}
			assert.Equal(t, humid, strings.Contains(profile.Caution, "Legionella grows in water that has stood"))
			assert.Equal(t, air && !strings.HasSuffix(id, "winter-rest"), strings.Contains(profile.Caution, "UV and heat lamps"))
			salamanders := strings.HasSuffix(id, "newt") || strings.HasSuffix(id, "axolotl")
			assert.Equal(t, salamanders, strings.Contains(profile.Caution, "B. salamandrivorans is harder to kill"))
			if larva, ok := profile.Care[care.Larva]; ok {
				notes := strings.Join(larva.Notes, " ")
				assert.Contains(t, notes, "starves larvae of calcium")
				assert.Contains(t, notes, "H = H0·(1 − f)^n")
			}
		})
	}
}

// Four changes of a quarter with pure water leave 32 % of the hardness, as the notes say.
func TestHardnessAfterChanges(t *testing.T) {
	assert.InDelta(t, 0.32, math.Pow(1-0.25, 4), 0.005)
}

// Every stage has something to do, every task a source or the words that there is none; hatchlings are not fed at once, and nothing is
// fed while a tail is absorbed (Ishibashi & Amaya 2020, for Xenopus).
func TestEveryStageHasCare(t *testing.T) {
	for id, profile := range profiles(t) {
		for at, needs := range profile.Care {
			t.Run(id+"/"+at.String(), func(t *testing.T) {
				words := map[string]*care.Task{}
				for i := range needs.Tasks {
					task := &needs.Tasks[i]
					words[task.Do] = task
					assert.NotEmpty(t, task.Note, task.Do)
					assert.Regexp(t, "common practice, no published source|from memory, not confirmed", task.Source, "the interval of %s", task.Do)
				}
				_, fed := words["feed"]
				assert.Equal(t, at != care.Egg && at != care.Metamorph && !strings.HasSuffix(id, "winter-rest"), fed)
				if at == care.Larva {
					assert.Positive(t, words["feed"].After)
					if !strings.HasPrefix(id, "fully-aquatic") {
						assert.Len(t, words["feed"].Rotate, 3, "what takes turns")
					}
					assert.Contains(t, words, "top-up")
				}
				_, misted := words["mist"]
				_, humid := needs.Bands[quantity.RelativeHumidity]
				assert.False(t, misted && !humid, "what is misted has a band of humidity")
				if at != care.Metamorph {
					assert.Contains(t, words, "check-sensor")
				}
			})
		}
	}
}

// The references of development name where they come from, and lie within the band of the water, above which nothing gets faster, or
// not far from it.
func TestReferencesOfDevelopment(t *testing.T) {
	known := 0
	for id, profile := range profiles(t) {
		for at, needs := range profile.Care {
			span, ok := growth.SpanOf(&needs)
			if !ok {
				continue
			}
			known++
			assert.NotEmpty(t, needs.Lasts.Source, "%s %s", id, at)
			water := needs.Bands[quantity.WaterTemperature].Day
			assert.Equal(t, water.Limits[care.High], span.Cap, "%s %s", id, at)
			assert.InDelta(t, (water.Limits[care.Low]+water.Limits[care.High])/2, span.At, 5, "%s %s: degree-days stand still ten degrees below", id, at)
		}
	}
	assert.Equal(t, 8, known)
}

// Gosner (1960) stages frogs and toads; the groups embryo, hatchling and tadpole, metamorph are those of McDiarmid &
// Altig (1999).
func TestGosnerRanges(t *testing.T) {
	want := map[care.Stage]string{
		care.Egg: "1–20", care.Larva: "21–41", care.Metamorph: "42–45", care.Juvenile: "46", care.Adult: "",
	}
	for id, profile := range profiles(t) {
		for at, needs := range profile.Care {
			if strings.Contains(id, "newt") || strings.Contains(id, "aquatic") {
				assert.Empty(t, needs.Gosner, "%s %s: salamanders and clawed frogs are staged otherwise", id, at)
				continue
			}
			assert.Equal(t, want[at], needs.Gosner, "%s %s", id, at)
		}
	}
}

func TestEveryNumberHasASource(t *testing.T) {
	numbers := 0
	for id, profile := range profiles(t) {
		for at, needs := range profile.Care {
			for q, both := range needs.Bands {
				base := "stages." + at.String() + "." + q.String()
				for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
					for half, band := range map[string]*care.Band{"day": &both.Day, "night": &both.Night} {
						if !band.Has(l) {
							continue
						}
						numbers++
						source := profile.Sources[base+"."+half+"."+l.String()] + profile.Sources[base+"."+l.String()]
						assert.NotEmpty(t, source, "%s %s %s", id, base, l)
					}
				}
				for _, key := range []string{"on-delay", "off-delay", "deadband"} {
					assert.NotEmpty(t, profile.Sources[base+"."+key], "%s %s.%s", id, base, key)
				}
			}
		}
		for at, source := range profile.Sources {
			known := false
			for _, mark := range []string{"common practice, no published source", "from memory, not confirmed", "UNTHSC", "Pottier et al. 2025", "veterinary text"} {
				known = known || strings.Contains(source, mark)
			}
			assert.True(t, known, "%s %s: %q names no source and does not say that there is none", id, at, source)
		}
	}
	assert.Greater(t, numbers, 300)
}

// Delays: common practice, no published source. Where day and night differ the air may take an hour to follow the light.
func TestDelays(t *testing.T) {
	halves(t, func(t *testing.T, at care.Stage, q quantity.Quantity, band *care.Band) {
		young := at == care.Metamorph || at == care.Juvenile
		critical := band.Has(care.CriticalLow) || band.Has(care.CriticalHigh)
		switch q {
		case quantity.WaterTemperature:
			assert.Equal(t, 30*time.Minute, band.OnDelay)
			assert.Equal(t, 45*time.Minute, band.Foresee)
			if critical {
				assert.Equal(t, 5*time.Minute, band.CriticalOnDelay)
			}
		case quantity.AirTemperature:
			assert.Contains(t, []time.Duration{15 * time.Minute, time.Hour}, band.OnDelay) // an hour where day and night differ
			assert.Equal(t, 45*time.Minute, band.Foresee)
			if critical {
				assert.Equal(t, 3*time.Minute, band.CriticalOnDelay)
			}
		case quantity.RelativeHumidity:
			assert.Equal(t, time.Hour, band.OnDelay)
			switch {
			case critical && young:
				assert.Equal(t, 10*time.Minute, band.CriticalOnDelay)
			case critical:
				assert.Equal(t, 20*time.Minute, band.CriticalOnDelay)
			}
		case quantity.VapourPressureDeficit:
			assert.Equal(t, time.Hour, band.OnDelay)
		default:
			t.Errorf("no rule for the delays of %s", q)
		}
	})
}

// The band that keepers know as 70 to 75 °F stays exactly that.
func TestFahrenheitBandsStayExact(t *testing.T) {
	needs := profiles(t)["tropical-forest-floor"].Care
	for _, at := range []care.Stage{care.Larva, care.Metamorph} {
		band := needs[at].Bands[quantity.WaterTemperature].Day
		assert.Equal(t, quantity.Fahrenheit.ToCanonical(70), band.Limits[care.Low])
		assert.Equal(t, quantity.Fahrenheit.ToCanonical(75), band.Limits[care.High])
	}
}

// The lowest published CTmax and the highest published CTmin of each group and stage are those of AmphiTherm (Pottier et
// al. 2025, Scientific Data, doi 10.5281/zenodo.16751427), in °C. A critical limit keeps 3 K from CTmax, a limit of
// minutes, and does not lie below CTmin. The exceptions are named in the profiles.
func TestCriticalLimitsAgainstPublishedTolerance(t *testing.T) {
	cases := []struct {
		profile  string
		stage    care.Stage
		quantity quantity.Quantity
		heat     float64 // lowest published CTmax
		cold     float64 // highest published CTmin; NaN where none was found
		margin   float64 // K below CTmax
	}{
		{"tropical-forest-floor", care.Larva, quantity.WaterTemperature, 32.8, 8.1, 5.8},
		{"tropical-forest-floor", care.Adult, quantity.AirTemperature, 29.1, 16.7, 1.1},        // exception: Oophaga pumilio
		{"cool-montane-stream", care.Larva, quantity.WaterTemperature, 29.6, math.NaN(), 7.6},  // Ascaphus truei
		{"cool-montane-stream", care.Adult, quantity.AirTemperature, 27.5, math.NaN(), 4.5},    // Ascaphus truei
		{"temperate-pond-frog", care.Larva, quantity.WaterTemperature, 27.1, math.NaN(), 3.1},  // Rana dybowskii
		{"temperate-pond-frog", care.Larva, quantity.WaterTemperature, 26.0, math.NaN(), 2},    // exception: R. sylvatica, one study
		{"temperate-pond-frog", care.Metamorph, quantity.WaterTemperature, 32.1, 4, 8.1},       // Rana temporaria
		{"temperate-pond-frog", care.Metamorph, quantity.AirTemperature, 32.1, 4, 6.1},         // Rana temporaria
		{"temperate-pond-frog", care.Juvenile, quantity.AirTemperature, 32.1, 4, 5.1},          // Rana temporaria
		{"temperate-pond-frog", care.Adult, quantity.WaterTemperature, 29.6, math.NaN(), 3.6},  // acclimated at 5 °C
		{"temperate-pond-frog", care.Adult, quantity.AirTemperature, 29.6, math.NaN(), 2.6},    // exception: acclimated at 5 °C
		{"tropical-arboreal", care.Larva, quantity.WaterTemperature, 32.8, 9.8, 4.8},           // rhacophorids
		{"tropical-arboreal", care.Metamorph, quantity.WaterTemperature, 36.0, math.NaN(), 8},  // hylids
		{"tropical-arboreal", care.Metamorph, quantity.AirTemperature, 36.0, math.NaN(), 8},    // hylids
		{"tropical-arboreal", care.Juvenile, quantity.AirTemperature, 36.0, math.NaN(), 7},     // hylids
		{"tropical-arboreal", care.Adult, quantity.AirTemperature, 31.4, math.NaN(), 2.4},      // exception: stream Litoria
		{"fully-aquatic", care.Larva, quantity.WaterTemperature, 37.0, math.NaN(), 10},         // Xenopus laevis
		{"fully-aquatic", care.Metamorph, quantity.WaterTemperature, 31.5, 16.9, 5.5},          // Xenopus laevis
		{"fully-aquatic", care.Adult, quantity.WaterTemperature, 33.4, math.NaN(), 6.4},        // Xenopus laevis
		{"fully-aquatic-axolotl", care.Larva, quantity.WaterTemperature, 33.5, math.NaN(), 10}, // family
		{"fully-aquatic-axolotl", care.Adult, quantity.WaterTemperature, 31.9, math.NaN(), 8.9},
		{"temperate-pond-newt", care.Larva, quantity.WaterTemperature, 34.8, 4, 9.8},
		{"temperate-pond-newt", care.Metamorph, quantity.WaterTemperature, 33.3, 4, 9.3},
		{"temperate-pond-newt", care.Juvenile, quantity.AirTemperature, 33.3, 4, 9.3},
		{"temperate-pond-newt", care.Adult, quantity.WaterTemperature, 33.8, 4, 9.8},
	}
	all := profiles(t)
	for _, c := range cases {
		t.Run(c.profile+"/"+c.stage.String()+"/"+c.quantity.String(), func(t *testing.T) {
			band := all[c.profile].Care[c.stage].Bands[c.quantity].Day
			assert.GreaterOrEqual(t, c.heat-band.Limits[care.CriticalHigh], c.margin-1e-9)
			if !math.IsNaN(c.cold) {
				assert.GreaterOrEqual(t, band.Limits[care.CriticalLow], c.cold)
			}
		})
	}
}

// Metamorphs bear less heat than larvae of the same kind (Cupp 1980; our count from AmphiTherm: 34 of 38 pairs), so that
// no profile may give them more.
func TestMetamorphsAreNotKeptWarmerThanLarvae(t *testing.T) {
	for id, profile := range profiles(t) {
		larva, metamorph := profile.Care[care.Larva], profile.Care[care.Metamorph]
		if len(metamorph.Bands) == 0 {
			continue
		}
		water := func(needs care.Care, l care.Limit) float64 {
			return needs.Bands[quantity.WaterTemperature].Day.Limits[l]
		}
		assert.LessOrEqual(t, water(metamorph, care.CriticalHigh), water(larva, care.CriticalHigh), id)
		assert.LessOrEqual(t, water(metamorph, care.High), water(larva, care.High), id)
	}
}
