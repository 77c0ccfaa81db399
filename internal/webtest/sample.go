package webtest

import (
	"math"
	"time"

	"basecourse/internal/upkeep"
	"basecourse/internal/web"
)

// SampleFindings answers for a printer P-001 whose failures go with skipped
// probing, a plate L-002 whose failures go with long cleaning gaps, and others
// in every state.
func SampleFindings(to time.Time) *Findings {
	nan := math.NaN()
	none := func(kind, subject, cause, state string, starts, graded, n, failures int, summary string) web.Finding {
		return web.Finding{Kind: kind, Subject: subject, Cause: cause, State: state, Starts: starts, Graded: graded, N: n, Failures: failures,
			OddsRatio: nan, OddsLow: nan, OddsHigh: nan, Q: nan, Avoidable: nan, AvoidableLow: nan, AvoidableHigh: nan, Summary: summary}
	}
	probing := web.Finding{Kind: "printer", Subject: "P-001", Cause: "skipped_probing", State: "raised", Case: "suspected", Starts: 160, Graded: 131, N: 129, Failures: 12,
		NExposed: 41, FailuresExposed: 9, OddsRatio: 4.9, OddsLow: 1.6, OddsHigh: 14.2, Q: 0.012, Avoidable: 4.2, AvoidableLow: 1.6, AvoidableHigh: 7.1,
		Summary: "9 of 41 layers failed without a probe, 3 of 82 with one: failures go with skipped probing."}
	plate := web.Finding{Kind: "plate", Subject: "L-002", Cause: "cleaning_gap", State: "raised", Starts: 210, Graded: 180, N: 176, Failures: 19,
		NExposed: 70, FailuresExposed: 15, OddsRatio: 1.7, OddsLow: 1.2, OddsHigh: 2.5, Q: 0.031, Avoidable: 3.1, AvoidableLow: 0.9, AvoidableHigh: 5.6,
		Summary: "15 of 70 layers failed after more than 11 prints, 4 of 106 after fewer."}
	watching := web.Finding{Kind: "printer", Subject: "P-002", Cause: "cleaning_gap", State: "watching", Starts: 150, Graded: 122, N: 120, Failures: 9,
		NExposed: 55, FailuresExposed: 6, OddsRatio: 1.3, OddsLow: 0.9, OddsHigh: 2, Q: 0.18, Avoidable: 1.1, AvoidableLow: -0.4, AvoidableHigh: 2.9,
		Summary: "6 of 55 layers failed after long gaps, 3 of 65 after short ones; not enough to raise."}
	reverse := web.Finding{Kind: "printer", Subject: "P-004", Cause: "skipped_probing", State: "quiet", Reverse: true, Starts: 150, Graded: 122, N: 120, Failures: 11,
		NExposed: 40, FailuresExposed: 1, OddsRatio: 0.3, OddsLow: 0.1, OddsHigh: 0.9, Q: 0.9, Avoidable: -1, AvoidableLow: -2, AvoidableHigh: 0.1,
		Summary: "Failures go with probing: look at the probe and the tip."}
	little := none("printer", "P-003", "skipped_probing", "too_little_data", 40, 22, 20, 1, "Too little data: about 60 more graded layers would tell.")
	little.Settle = "about 60 more graded layers"
	items := []web.Finding{probing, plate, watching, reverse, little, none("plate", "L-001", "cleaning_gap", "quiet", 120, 96, 95, 2, "2 of 95 layers failed; gaps make no difference.")}
	from := to.Add(-84 * 24 * time.Hour)
	evidence := func(f web.Finding, cells []web.EvidenceCell, plain, low, high float64) web.Evidence {
		return web.Evidence{Finding: f, From: from, To: to, GapSplit: 11, Cells: cells, Plain: plain, PlainLow: low, PlainHigh: high,
			Marks:        []web.MarkCount{{Mark: "nozzle_low", Failed: 6, Good: 4}, {Mark: "blobs", Failed: 2, Good: 7}, {Mark: "contamination", Failed: 1, Good: 11}},
			FailedLayers: f.Failures, GoodLayers: f.N - f.Failures, Restarts: 3,
			Differ: "Adjusting takes out plate, material, grader and time of day; here the night crew both skips probing and grades strictly.",
			Method: "Penalised logistic fit with the fleet's baseline as offset, shrunk per machine; false discovery controlled at 5 % over all questions."}
	}
	// The gap's curve, and where each band lies.
	curve := func(e web.Evidence, means ...float64) web.Evidence {
		for i := range e.Cells {
			e.Cells[i].Mean = nan
			if i < len(means) {
				e.Cells[i].Mean = means[i]
			}
		}
		for g := 0; g <= 40; g++ {
			at := 1.4 * math.Pow(e.OddsRatio, math.Log2(1+float64(g)))
			e.Curve = append(e.Curve, web.CurvePoint{Gap: g, At: at, Low: at * 0.5, High: at*1.4 + 2})
		}
		return e
	}
	return &Findings{
		List: web.FindingList{AsOf: to, From: from, To: to, FirstLayers: 9800, Graded: 8100, Failures: 402, GapSplit: 11, Items: items,
			Ahead: map[string][]upkeep.Item{"P-001": {{Due: upkeep.Due{Task: upkeep.Probe, Because: []string{"3 starts since its probe", "cheapest every 2 starts"}, Effort: upkeep.Effort{Person: 1, Machine: 6},
				Saves: 1.2, Low: 0.3, High: 2.4}, Printer: "P-001", Plate: "L-107"}}},
			Lately: map[string]web.Lately{"P-001": {Started: 34, Graded: 29, Failures: 3}, "P-002": {Started: 30, Graded: 25, Failures: 1}}},
		Evidences: []web.Evidence{
			evidence(probing, []web.EvidenceCell{{Code: "valid", Started: 98, Graded: 82, Failures: 3}, {Code: "skipped", Started: 52, Graded: 41, Failures: 9}, {Code: "void", Started: 8, Graded: 6, Failures: 0}, {Code: "unknown", Started: 2, Graded: 2, Failures: 0}}, 18.3, 5.9, 33.1),
			curve(evidence(plate, []web.EvidenceCell{{Code: "band", Low: 0, High: 2, Started: 40, Graded: 36, Failures: 1}, {Code: "band", Low: 3, High: 5, Started: 44, Graded: 38, Failures: 1}, {Code: "band", Low: 6, High: 11, Started: 40, Graded: 32, Failures: 2}, {Code: "band", Low: 12, High: 23, Started: 50, Graded: 42, Failures: 7}, {Code: "band", Low: 24, High: -1, Started: 32, Graded: 28, Failures: 8}, {Code: "unknown", Started: 4, Graded: 4, Failures: 0}}, 17.7, 8, 28.4), 1, 4, 8.5, 17, 31),
			curve(evidence(watching, []web.EvidenceCell{{Code: "band", Low: 0, High: 11, Started: 80, Graded: 65, Failures: 3}, {Code: "band", Low: 12, High: -1, Started: 68, Graded: 55, Failures: 6}}, 6.3, -3.2, 17), 5, 20),
			evidence(little, []web.EvidenceCell{{Code: "valid", Started: 30, Graded: 18, Failures: 1}, {Code: "skipped", Started: 3, Graded: 2, Failures: 0}}, nan, nan, nan),
			evidence(reverse, []web.EvidenceCell{{Code: "valid", Started: 90, Graded: 80, Failures: 10}, {Code: "skipped", Started: 50, Graded: 40, Failures: 1}}, -10, -19, 1),
		},
	}
}
