package web

import (
	"context"
	"strings"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
)

// layerUnder is what one first layer was (or is about to be) started under.
type layerUnder struct {
	exposure.Exposure
	plate    string // named, or fitted at that time; "" not known
	skipSaid bool   // a skip was recorded since the start before
	earlier  int    // starts of the printer before it
	recorded string // which of the printer's probes are recorded

	// What it was computed from, for the diagnosis.
	history *exposure.History
	all     []exposure.Exposure
	plates  []string
}

// under computes it from the layer's own history; the exposures are defined in
// internal/exposure.
func (s *Server) under(ctx context.Context, f *farm.FirstLayer, p *farm.Printer, window time.Duration) (layerUnder, error) {
	h, plates, err := s.store.LayerHistory(ctx, f, window)
	if err != nil {
		return layerUnder{}, err
	}
	all := exposure.Of(h)
	last := len(all) - 1
	u := layerUnder{Exposure: all[last], recorded: orCode(p.ProbingRecorded, "all"), history: h, all: all, plates: plates}
	if u.Plate >= 0 {
		u.plate = plates[u.Plate]
	}
	before := int64(-1 << 62)
	for i := range all[:last] {
		if h.Starts[i].Printer == h.Starts[last].Printer && all[i].At <= u.At {
			u.earlier++
			before = max(before, all[i].At)
		}
	}
	for _, k := range h.Skips {
		u.skipSaid = u.skipSaid || k.At >= before && k.At <= u.At
	}
	return u, nil
}

func orCode(code, standard string) string {
	if code == "" {
		return standard
	}
	return code
}

func micros(n int64) time.Duration { return time.Duration(n) * time.Microsecond }

// probeSentence says what is known of the probe.
func (u *layerUnder) probeSentence(f *farm.FirstLayer) string {
	since := ""
	if u.SinceProbe >= 0 {
		since = duration(micros(u.SinceProbe)) + " before"
	}
	switch {
	case u.Skipped == exposure.No && f.Probed == "yes" && u.SinceProbe <= 0:
		return "Probed for this start, as stated with it."
	case u.Skipped == exposure.No && u.PrintsSinceProbe == 0:
		return "Probed for this start, " + since + "."
	case u.Skipped == exposure.No && u.SinceProbe >= 0 && u.earlier == 0:
		return "The printer’s first recorded start; probed " + since + "."
	case u.Skipped == exposure.No && u.earlier == 0:
		return "The printer’s first recorded start; no record of a probe."
	case u.Skipped == exposure.Unknown && u.SinceProbe >= 0:
		return "No record whether it was probed for this start; the last recorded probe was " + counted(int(u.PrintsSinceProbe), "print", "prints") + " before, " + duration(micros(u.SinceProbe)) + " earlier."
	case u.Skipped == exposure.Unknown:
		return "No record of a probe before this start."
	}
	// Not probed for this start.
	how := "No probe since the last start"
	if u.skipSaid || f.Probed == "no" {
		how = "Probing was skipped, as somebody said"
	}
	if u.SinceProbe < 0 {
		return how + "; no record of an earlier probe."
	}
	return how + ": started " + printsAfter(int(u.PrintsSinceProbe)) + " the last probe, " + duration(micros(u.SinceProbe)) + " later."
}

func printsAfter(n int) string {
	if n == 0 {
		return "first after"
	}
	return counted(n, "print", "prints") + " after"
}

// sentences spells the exposure out.
func (u *layerUnder) sentences(f *farm.FirstLayer) []string {
	out := []string{u.probeSentence(f)}
	switch {
	case u.SinceProbe < 0:
	case u.PlateSwapped == exposure.Yes:
		out = append(out, "Plate swapped or machine serviced since that probe"+map[bool]string{true: "", false: ": the probe no longer stood for it"}[u.State == exposure.StateSkipped]+".")
	case u.PlateSwapped == exposure.No:
		out = append(out, "The same plate as at that probe, and no service since.")
	default:
		out = append(out, "No record whether the plate is the one that was probed.")
	}
	if f.Plate == "" && u.plate != "" {
		out = append(out, "No plate was named with it; "+u.plate+" was fitted then.")
	}
	plate := orNoRecord(u.plate)
	switch {
	case u.plate == "":
		out = append(out, "No record of the plate, so none of its cleaning.")
	case u.SinceClean < 0:
		out = append(out, "No record of a cleaning of "+plate+" before.")
	case u.PrintsSinceClean == 0:
		out = append(out, "The first print on "+plate+" after it was cleaned, "+duration(micros(u.SinceClean))+" before.")
	default:
		out = append(out, plate+" was cleaned "+counted(int(u.PrintsSinceClean), "print", "prints")+" before, "+duration(micros(u.SinceClean))+" earlier.")
	}
	if u.PrintsSinceWash >= 0 && u.PrintsSinceWash != u.PrintsSinceClean {
		out = append(out, "Washed "+counted(int(u.PrintsSinceWash), "print", "prints")+" before.")
	}
	if u.Restart {
		out = append(out, "A restart: a first layer failed on the same printer and plate within the hour before.")
	}
	for i := range out {
		out[i] = strings.TrimSpace(out[i])
	}
	return out
}
