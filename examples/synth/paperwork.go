package synth

import (
	"fmt"

	"benchlore/schema"
)

// paperwork adds readings, checks and notes until the unit has so many
// records, spread over its stays.
func (w *work) paperwork(least int) {
	for k := 0; len(w.records) < least; k++ {
		s := w.stays[k%len(w.stays)]
		k := k / len(w.stays)
		out := s.out
		if out == 0 {
			out = s.in + 6
		}
		within := s.in + 1 + k%max(out-s.in-1, 1)
		switch k % 6 {
		case 0:
			w.put(schema.KindMeasurements, out, &schema.Measurements{Readings: w.readings(schema.AsLeft)})
		case 1:
			w.put(schema.KindSafety, out, &schema.Safety{Checks: []schema.SafetyCheck{
				{Name: "protective earth continuity", Result: schema.CheckDone, Value: w.value(5, 20, 0.01, "Ohm"), With: "pat-1"},
				{Name: "insulation resistance", Result: schema.CheckDone, Value: w.value(40, 200, 1, "MOhm"), With: "pat-1"},
			}})
		case 2:
			w.put(schema.KindMeasurements, s.in, &schema.Measurements{Readings: w.readings(schema.AsFound)})
		case 3:
			w.put(schema.KindSoak, within, &schema.Soak{Duration: "24 h", Cycles: 3, Ambient: "22 C"})
		case 4:
			r := &schema.Note{Title: "working notes"}
			r.Note = "Cleaned inside and out. Connectors reseated, all screws back in their places."
			w.put(schema.KindNote, within, r)
		case 5:
			w.put(schema.KindCustody, s.in, &schema.Custody{Event: "received", ConditionIn: "no damage from transport"})
		}
	}
}

// readings are plain ones, without limits.
func (w *work) readings(stage schema.Stage) []schema.Reading {
	reading := func(point string, v schema.Measured) schema.Reading {
		return schema.Reading{Point: point, Section: w.sections[0], Value: v, Stage: stage, With: "dmm-1"}
	}
	return []schema.Reading{
		reading("main rail", w.value(1470, 1530, 0.01, "V")),
		reading("negative rail", w.value(1470, 1530, 0.01, "V")),
		reading("ripple", w.value(2, 40, 0.1, "mV")),
		reading("output level", w.value(250, 400, 1, "mV")),
	}
}

// value draws a reading of so many steps.
func (w *work) value(from, to int, step float64, of string) schema.Measured {
	decimals := map[float64]int{0.01: 2, 0.1: 1}[step]
	return schema.Measured(fmt.Sprintf("%.*f %s", decimals, float64(from+w.rng.IntN(to-from+1))*step, of))
}
