//go:build long

package upkeep

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/simfarm"
)

// TestForecastValidation judges what was expected of jobs on farms of known making and
// writes testdata/validation/forecast.md. Run by hand:
//
//	VALIDATION_SEED=5200 go test -tags long -run ForecastValidation -timeout 1h -v ./internal/upkeep
//
// The seeds follow from VALIDATION_SEED, chosen after the method was fixed.
func TestForecastValidation(t *testing.T) {
	base, err := strconv.ParseUint(os.Getenv("VALIDATION_SEED"), 10, 64)
	if err != nil {
		base = 5200
	}
	row := func(name string, o *jobForecasts) string {
		expected, happened := 0.0, 0
		for i := range o.expected {
			expected += o.expected[i]
			happened += o.happened[i]
		}
		slope, intercept := o.calibration()
		return fmt.Sprintf("| %s | %d | %.1f | %d | %.3f | %.3f | %.1f %% | %.1f %% |\n", name, len(o.in), expected, happened, slope, intercept, 100*mean(o.in), 100*mean(o.exact))
	}
	all := &jobForecasts{}
	var rows strings.Builder
	farms := 0
	for n, sc := range simfarm.Scenarios() {
		one := forecastJobs(sc, base+uint64(n), 42)
		farms++
		all.join(one)
		rows.WriteString(row(sc.Name, one))
		t.Log(sc.Name)
	}
	rows.WriteString(row("**all**", all))
	for _, band := range []struct {
		name     string
		from, to int
	}{{"up to 19 starts", 1, 19}, {"20 to 49 starts", 20, 49}, {"50 starts and more", 50, 1 << 30}} {
		part := &jobForecasts{}
		for i, n := range all.starts {
			if n >= band.from && n <= band.to {
				part.join(&jobForecasts{all.expected[i : i+1], all.low[i : i+1], all.high[i : i+1], all.happened[i : i+1], all.starts[i : i+1], all.in[i : i+1], all.exact[i : i+1], all.chance[i : i+1], all.failed[i : i+1]})
			}
		}
		rows.WriteString(row(band.name, part))
	}
	commit, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	var s strings.Builder
	fmt.Fprintf(&s, "# What was expected of jobs beside what happened\n\n%d farms, one a scenario, seeds from %d on, %s, commit %s. Farms of 120 printers, 240 plates, 12 to 20 starts a printer and day, 85 %% graded (`internal/simfarm`).\n",
		farms, base, time.Now().UTC().Format("2006-01-02"), strings.TrimSpace(string(commit)))
	s.WriteString("Learned from the first 6 weeks, once; the graded starts of the next 2 weeks parted into jobs of 4 to 100 starts of one material on 1 to 12 printers, each forecast frozen at its first start,\n")
	s.WriteString("probing and cleaning as they were then done. Slope and intercept: logistic regression of failure on the log-odds said, the intercept with the slope held at 1.\n")
	s.WriteString("Within: jobs whose failures lie in the range of whole numbers that holds 90 of 100, which holds more than it must; the same with each outcome spread evenly over its step, which is 90 where forecasts are right\n")
	s.WriteString("(Czado, Gneiting and Held 2009, Biometrics 65:1254-1261).\n\n")
	s.WriteString("| scenario | jobs | failures expected | happened | slope | intercept | within | within, spread |\n|---|---|---|---|---|---|---|---|\n" + rows.String())
	if err := os.WriteFile("../../testdata/validation/forecast.md", []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + s.String())
	slope, intercept := all.calibration()
	if share := mean(all.exact); share < 0.85 || share > 0.95 || slope < 0.9 || slope > 1.1 || math.Abs(intercept) > 0.1 {
		t.Errorf("%.1f of 100 within, slope %.3f, intercept %.3f: want 85 to 95, 0.9 to 1.1, and within 0.1", 100*share, slope, intercept)
	}
}
