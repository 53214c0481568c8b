package web_test

import (
	"encoding/json"
	"maps"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/watch"
	"dewline/internal/server/web"
)

// applyPatch carries out a JSON patch (RFC 6902), in the plain way.
func applyPatch(t require.TestingT, document any, data string) any {
	var ops []struct {
		Op, Path string
		Value    any
	}
	require.NoError(t, json.Unmarshal([]byte(data), &ops))
	root := map[string]any{"": document}
	for _, op := range ops {
		var at any = root
		keys := strings.Split(op.Path, "/")
		for i, key := range keys {
			key = strings.ReplaceAll(strings.ReplaceAll(key, "~1", "/"), "~0", "~")
			last := i == len(keys)-1
			switch parent := at.(type) {
			case map[string]any:
				switch had, ok := parent[key]; {
				case !last:
					require.True(t, ok, op.Path)
					at = had
				case op.Op == "remove":
					require.True(t, ok, op.Path)
					delete(parent, key)
				default:
					require.Equal(t, op.Op == "add", !ok, op.Path)
					parent[key] = op.Value
				}
			case []any:
				n, err := strconv.Atoi(key)
				require.NoError(t, err)
				if last {
					require.Equal(t, "replace", op.Op)
					parent[n] = op.Value
				}
				at = parent[n]
			default:
				require.Fail(t, "nothing there", op.Path)
			}
		}
	}
	return root[""]
}

// A reader who carries out the patches has what the server has.
func TestPatchLeadsFromOneDocumentToTheNext(t *testing.T) {
	keys := rapid.SampledFrom([]string{"a", "b/c", "d~e", "~1", ""})
	var value func(depth int) *rapid.Generator[any]
	value = func(depth int) *rapid.Generator[any] {
		leaves := []*rapid.Generator[any]{
			rapid.Just(any(nil)), rapid.Bool().AsAny(), rapid.IntRange(-3, 3).AsAny(), rapid.Float64Range(-1, 1).AsAny(), rapid.SampledFrom([]string{"", "x", "<y>"}).AsAny(),
		}
		if depth > 0 {
			inner := rapid.Deferred(func() *rapid.Generator[any] { return value(depth - 1) })
			leaves = append(leaves, rapid.MapOfN(keys, inner, 0, 4).AsAny(), rapid.SliceOfN(inner, 0, 3).AsAny())
		}
		return rapid.OneOf(leaves...)
	}
	rapid.Check(t, func(t *rapid.T) {
		old, err := json.Marshal(value(3).Draw(t, "old"))
		require.NoError(t, err)
		next, err := json.Marshal(value(3).Draw(t, "next"))
		require.NoError(t, err)
		ops, reached, err := web.PatchOf(old, next, nil)
		require.NoError(t, err)
		assert.JSONEq(t, string(next), string(reached))
		if ops == nil {
			assert.JSONEq(t, string(old), string(next))
			return
		}
		var document any
		require.NoError(t, json.Unmarshal(old, &document))
		got, err := json.Marshal(applyPatch(t, document, string(ops)))
		require.NoError(t, err)
		assert.JSONEq(t, string(next), string(got))
	})
}

func TestPatchHoldsBackWhatIsNotUrgent(t *testing.T) {
	ops, reached, err := web.PatchOf([]byte(`{"v":1,"today":{"s":1}}`), []byte(`{"v":2,"today":{"s":2}}`), func(key string) bool { return key == "today" })
	require.NoError(t, err)
	assert.JSONEq(t, `[{"op":"replace","path":"/v","value":2}]`, string(ops))
	assert.JSONEq(t, `{"v":2,"today":{"s":1}}`, string(reached), "the next difference is taken from what the reader has")
}

// maxPerHour is what an open page of a site of 40 points may take up on the line in an hour.
const maxPerHour = 1_000_000

// An open tab costs at most a megabyte an hour: here for half an hour of the loft with all its values changing every ten
// seconds, by a clock of the test's own.
func TestOpenTabCostsLessThanAMegabyteAnHour(t *testing.T) {
	for _, changes := range []string{"values", "all"} {
		r := newRig(t)
		points, updates := len(r.core.Points()), len(r.future)
		bytes, events, err := web.ListenPacked(r.options(t), changes, futureFor, 250*time.Millisecond, func(passed time.Duration) {
			if passed%futureEvery == 0 {
				r.advance()
			}
		})
		require.NoError(t, err)
		require.Empty(t, r.future, "all of it has happened")
		perHour := float64(bytes) * float64(time.Hour) / float64(futureFor) * 40 / float64(points)
		t.Logf("changes=%s: %d updates of %d points in %d events: %d bytes, which is %.0f kB an hour for 40 points", changes, updates, points, len(events), bytes, perHour/1000)
		assert.Less(t, perHour, float64(maxPerHour), changes)

		// What the reader has at the end is what the server would say now, but for what comes once a minute.
		var document any
		for _, event := range events {
			name, data, _ := strings.Cut(strings.TrimPrefix(event, "event: "), "\ndata: ")
			switch name {
			case "now":
				document = nil
				require.NoError(t, json.Unmarshal([]byte(data), &document))
			case "change":
				document = applyPatch(t, document, data)
			}
		}
		var want any
		_, answer := ask(t, r.serve(t, r.options(t))+"/api/now")
		require.NoError(t, json.Unmarshal(answer, &want))
		assert.Equal(t, withoutSlow(want), withoutSlow(document))
	}
}

// withoutSlow leaves out of a picture what the stream of differences sends once a minute.
func withoutSlow(document any) any {
	switch v := document.(type) {
	case map[string]any:
		left := maps.Clone(v)
		for _, key := range []string{"today", "sensors", "outlets", "age_s"} {
			delete(left, key)
		}
		for key := range left {
			left[key] = withoutSlow(left[key])
		}
		return left
	case []any:
		left := make([]any, len(v))
		for i := range v {
			left[i] = withoutSlow(v[i])
		}
		return left
	}
	return document
}

// What happens to an alarm comes at once, values alone every few seconds.
func TestStreamOfChangesIsQuickWhereItMatters(t *testing.T) {
	r := newRig(t)
	a := r.waiting(t)
	_, events, err := web.ListenPacked(r.options(t), "values", 30*time.Second, 250*time.Millisecond, func(passed time.Duration) {
		if passed == 11*time.Second {
			_, err := r.command(t.Context(), watch.Command{Verb: watch.Acknowledge, Alarm: a.Name, Occurrence: a.Occurrence})
			require.NoError(t, err)
		}
	})
	require.NoError(t, err)
	changed := 0
	for _, event := range events {
		if strings.HasPrefix(event, "event: change") && strings.Contains(event, `"value":"C"`) {
			changed++
		}
	}
	assert.Equal(t, 1, changed, "the acknowledgement comes once")
}

func TestStreamOfChangesRefusesOtherWords(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	code, data := ask(t, site+"/api/live?changes=some")
	assert.Equal(t, http.StatusBadRequest, code)
	assert.Contains(t, string(data), "changes must be values or all")
	response, next := stream(t, site+"/api/live?changes=values")
	defer response.Body.Close()
	require.Equal(t, "now", next().name)
	a := r.waiting(t)
	_, err := r.command(t.Context(), watch.Command{Verb: watch.Acknowledge, Alarm: a.Name, Occurrence: a.Occurrence})
	require.NoError(t, err)
	for e := next(); e.name != "change"; e = next() {
		require.Equal(t, "beat", e.name)
	}
}
