package config

import (
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// A task that comes more often is a limit to be watched, and one that comes more seldom belongs into no stage of a life.
const (
	minTaskInterval = time.Hour
	maxTaskInterval = 365 * 24 * time.Hour
)

// tasks reads what to do at a stage. A task with an error is left out.
func (d *decoder) tasks(n *node, path string) []care.Task {
	var all []care.Task
	var places []string
	for i, item := range d.items(n, path) {
		at := index(path, i)
		if item.kind == nothing {
			d.errorf(at, "an entry of this list is empty")
			continue
		}
		before := len(d.problems)
		task := d.task(item, at)
		if task.Do == "" || slices.ContainsFunc(d.problems[before:], func(p Problem) bool { return p.Severity == Error }) {
			continue
		}
		for k := range all {
			if all[k].Do == task.Do && all[k].Together(&task) {
				d.errorf(d.origins.first(join(at, "do"), at), "%s is there twice for the same time, here and at line %d: give one of them until, the other after",
					quoted(task.Do), d.origins[places[k]].line)
			}
		}
		all, places = append(all, task), append(places, at)
	}
	return all
}

func (d *decoder) task(n *node, path string) care.Task {
	f := d.fields(n, path, "do", "every", "after", "until", "rotate", "note", "source")
	if f == nil {
		return care.Task{}
	}
	task := care.Task{
		Do: d.id(f["do"], join(path, "do")), Rotate: d.texts(f["rotate"], join(path, "rotate")),
		Note: d.text(f["note"], join(path, "note")), Source: d.text(f["source"], join(path, "source")),
	}
	if task.Do == "" && f["do"] == nil {
		d.errorf(path, "this task has no word for what to do: give do: feed, mist, look or a word of your own")
	}
	if !slices.Contains(care.CommonTasks, task.Do) {
		if near := nearest(task.Do, care.CommonTasks); near != "" {
			d.warnf(join(path, "do"), "%s is a word of your own: did you mean %q?", quoted(task.Do), near)
		}
	}
	task.Every = d.positive(f["every"], join(path, "every"), maxTaskInterval)
	if f["every"] != nil && task.Every > 0 && task.Every < minTaskInterval {
		d.errorf(join(path, "every"), "%s is shorter than the %s that make sense here", formatDuration(task.Every), formatDuration(minTaskInterval))
	}
	task.After, _ = d.duration(f["after"], join(path, "after"))
	task.Until = d.positive(f["until"], join(path, "until"), 100*maxTaskInterval)
	if task.Until > 0 && task.Until <= task.After {
		d.errorf(join(path, "until"), "until (%s) must be later than after (%s)", formatDuration(task.Until), formatDuration(task.After))
	}
	for i, turn := range task.Rotate {
		if slices.Contains(task.Rotate[:i], turn) {
			d.errorf(index(join(path, "rotate"), i), "%s is there twice", quoted(turn))
		}
	}
	return task
}

// lasting reads how long a stage lasts at a temperature. Both are needed: the one says nothing without the other.
func (d *decoder) lasting(n *node, path string) care.Lasting {
	f := d.fields(n, path, "for", "at", "source")
	if f == nil {
		return care.Lasting{}
	}
	for _, key := range []string{"for", "at"} {
		if f[key] == nil {
			d.errorf(path, "this has no %s: write {for: 60d, at: 24 °C, source: \"…\"}", key)
		}
	}
	lasts := care.Lasting{For: d.positive(f["for"], join(path, "for"), 10*maxTaskInterval), Source: d.text(f["source"], join(path, "source"))}
	at, ok := d.number(f["at"], join(path, "at"), quantity.WaterTemperature, quantity.ParseValue)
	if ok && !(at > 0 && at < 45) {
		d.errorf(join(path, "at"), "nothing grows at %s: it must lie between %s and %s", show(quantity.Celsius, at), show(quantity.Celsius, 0), show(quantity.Celsius, 45))
	}
	if lasts.For == 0 || !ok {
		return care.Lasting{}
	}
	lasts.At = at
	return lasts
}
