package views

import "github.com/a-h/templ"

// sampleDrawing has one of everything a drawing may have.
func sampleDrawing() Drawing {
	return Drawing{Class: "wide", Width: "760", Height: "300", ViewBox: "0 0 760 300", Left: "56", Right: "650", Top: "40", Bottom: "252",
		YTicks: []ChartTick{{"252", "0 %", ""}, {"40", "20 %", ""}}, XTicks: []ChartTick{{"100", "03-02", "middle"}},
		Centre: ChartLine{"56,200 650,200", "usual 5 %", "656", "204", "start"}, Lines: []ChartLine{{"56,90 100,90 100,80 200,80", "limit 14 %", "656", "84", "start"}, {Points: "56,240 650,240"}},
		Path: []string{"78,210 100,60"}, Mass: "M1 2h0",
		Dots: []ChartDot{{X: "78", Y: "210", Says: "The week from 2026-02-23: 2 of 60 failed."}, {X: "100", Y: "60", Kind: "beyond", Word: "9 of 50", WX: "100", WY: "50", End: "middle", Says: "The week from 2026-03-02: 9 of 50 failed. Beyond the upper limit."},
			{X: "120", Y: "200", Kind: "late", Says: "Late."}, {X: "140", Y: "210", Kind: "open", Says: "Not over."}},
		Runs: []ChartRun{{"M70 40V34H140V40", "8 in a row above the usual rate", "105", "29"}}, Events: []ChartTick{{"90", "service: nozzle", "start"}}}
}

func sampleChart() Chart {
	return Chart{ID: "main", Kind: "rate", Title: "The week from 2026-03-02 failed more than chance explains: 9 of 50", Sub: "Failed of graded first layers by week.", Says: "The week from 2026-03-02 failed more.",
		Drawings: []Drawing{sampleDrawing()}, Below: []string{"Limits are exact."}, Table: sampleTable(), CSV: "/trends.csv?part=chart", CSVWord: "This chart as CSV"}
}

// trendSamples are the states of the page of trends and its parts.
func trendSamples() map[string]templ.Component {
	few := sampleChart()
	few.Drawings, few.Empty, few.CSV = nil, "9 graded layers so far; a rate needs about 20.", ""
	below := sampleChart()
	below.TableAt = "#table"
	page := TrendsPage{Rate: Rate{"First layers failed", "9 of 110", "(8 %, likely 4 to 15 %)", "110 of 130 layers graded."},
		By:      FilterRow{"By", []FilterLink{{"Plate", "", "/trends", true}, {"Printer", "", "/trends?by=printer", false}}},
		Filters: []TrendPart{{"All printers", ""}, {"PETG", "/trends"}, {"last 12 weeks", ""}}, Clear: "/trends",
		Form: TrendForm{Action: "/trends", Hidden: []Fact{{Word: "chart", Value: "sum"}}, Fields: []Field{{Name: "plate", Label: "Plate", Kind: "text", Optional: true, Value: "L-203", Hint: "Its tag, for example L-203."},
			{Name: "material", Label: "Material", Kind: "select", Options: []Option{{Word: "all"}, {Value: "PETG", Word: "PETG", Chosen: true}}}}},
		Notes: []string{"Voided layers are left out."}, Charts: FilterRow{"Chart", []FilterLink{{"Rate by week", "", "/trends", true}}},
		Runs: FilterRow{"False alarm once in", []FilterLink{{"2500 layers", "", "/trends?chart=sum", true}}}, Main: sampleChart(), Events: sampleTable(), EventsN: "2 things happened meanwhile", Compare: below,
		ManyTop: "Plates by week", ManySub: "All on one scale.", ManyTab: sampleTable(), ManyCSV: "/trends.csv?part=many",
		Many:   []Multiple{{"L-203", "/trends?plate=L-203", "9 of 50 failed.", watch, sampleDrawing(), "L-203: 9 of 50 failed."}},
		Groups: sampleTable(), Pager: Pager{Older: "/trends?page=2"}, PagerOf: "Pages of plates", CSV: "/trends.csv?part=groups"}
	nothing := page
	nothing.Lead, nothing.Empty = "Nothing fits.", "There is no plate “L-999”."
	return map[string]templ.Component{
		"chart": ChartFigure(sampleChart()), "chart-few": ChartFigure(few), "chart-table-below": ChartFigure(below),
		"multiples":    Multiples(page.Many),
		"trends-page":  trendsBody(page),
		"trends-none":  trendsBody(nothing),
		"trends-first": trendsBody(TrendsPage{First: true, Lead: "Nothing to count yet.", Empty: "Rates appear here.", Grade: "/grade"}),
	}
}
