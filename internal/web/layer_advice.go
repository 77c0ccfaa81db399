package web

import (
	"context"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/firstlayer"
	"basecourse/views"
)

// Diagnoses says what a first layer tells.
type Diagnoses interface {
	Diagnosis(ctx context.Context, q *assess.LayerAsked, now time.Time) (firstlayer.Answer, error)
}

var layerCauseWords = map[firstlayer.Cause]string{
	firstlayer.NozzleLow: "Nozzle too low", firstlayer.NozzleHigh: "Nozzle too high", firstlayer.BedShape: "Bed not as the printer believes", firstlayer.Tilt: "Bed leans",
	firstlayer.PlateHeight: "Plate’s thickness or bend", firstlayer.DirtyPlate: "Dirty plate", firstlayer.PlateDamage: "Worn or damaged plate", firstlayer.OverBonding: "Over-bonding",
	firstlayer.FeedLow: "Too little feed", firstlayer.FeedHigh: "Too much feed", firstlayer.NoStart: "Nothing fed at the beginning", firstlayer.Moisture: "Wet filament",
	firstlayer.Striping: "Striping", firstlayer.BedTemperature: "Bed temperature or draught", firstlayer.LocalSpot: "Something at one spot", firstlayer.None: "Nothing wrong", firstlayer.CannotTell: "Cannot tell",
}

// layerAdvice puts a diagnosis on the card of a first layer.
func layerAdvice(a *firstlayer.Answer) views.LayerAdvice {
	var out views.LayerAdvice
	said := map[string]bool{}
	for i, x := range a.Advice {
		if x.Safety != "" && !said[x.Safety] {
			said[x.Safety] = true
			out.Safety = append(out.Safety, x.Safety)
		}
		switch {
		case i == 0 && (x.Action == firstlayer.LetRun || x.Action == firstlayer.Nudge || x.Action == firstlayer.Stop):
			out.Now, out.NowWhy, _ = strings.Cut(x.Do, ". ")
			out.Now += "."
			out.Now = strings.Replace(out.Now, "..", ".", 1)
			if x.Action == firstlayer.Stop {
				out.Tone = "act"
			}
		case out.Do == "":
			out.Do, out.Action = x.Do, string(x.Action)
			if x.Action == firstlayer.MoveNozzle {
				out.Range = "nozzle move " + moveRange(x.LowMM, x.HighMM)
			}
		default:
			out.Then = append(out.Then, views.AdviceStep{Action: string(x.Action), Do: x.Do})
		}
	}
	if out.Tone == "" && out.Action != string(firstlayer.Leave) {
		out.Tone = "soon"
	}
	out.Because, out.Change = sentence(a.Because), a.WouldChange
	out.Sure = strings.ReplaceAll(a.Sure, "_", " ")
	if out.Range != "" {
		out.Sure += ", " + out.Range
	}
	out.Sure += "."
	for _, r := range a.Causes {
		if r.Cause == firstlayer.CannotTell && len(a.Causes) > 1 {
			continue
		}
		out.Causes = append(out.Causes, views.AdviceCause{Code: string(r.Cause), Word: layerCauseWords[r.Cause], Sure: strings.ReplaceAll(r.Sure, "_", " "), For: r.Because, Against: r.Against})
	}
	return out
}

// movesOf are the nozzle moves, mm, that go with actions of a diagnosis.
func movesOf(a *firstlayer.Answer) map[string]float64 {
	out := map[string]float64{}
	for _, x := range a.Advice {
		out[string(x.Action)] = x.MoveMM
	}
	return out
}

// moveRange says from where to where a move may be right, by directions.
func moveRange(low, high float64) string {
	way := func(x float64) string {
		if x < 0 {
			return "down " + mm(-x)
		}
		return "up " + mm(x)
	}
	if low < 0 && high <= 0 {
		low, high = high, low
	}
	return "between " + way(low) + " and " + way(high)
}
