package web

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"basecourse/internal/store"

	"github.com/labstack/echo/v4"
)

// Route is one address and who may enter. The table below is the only list of
// addresses: it registers them, guards them, and is what `basecourse routes`
// prints.
type Route struct {
	Method string `json:"method"`
	Path   string `json:"path"` // echo's form, without the base path
	Role   string `json:"role"` // the least that may enter

	handle   func(*Server) echo.HandlerFunc
	body     int64         // largest body in bytes; 0: none is read
	patience time.Duration // how long an answer may take
	open     bool          // no session, no load limit: files and health checks
	stream   bool          // stays open and mostly idle: takes no place among the workers and keeps no session awake
	private  bool          // about somebody's own sign-in: not from a shared tablet
	records  bool          // machines record here: pages go first
	doc      *apiDoc       // what an address of the API does; the description and the help are made from it
}

// Body limits and patience.
const (
	formBody    = 64 << 10
	meshBody    = 512 << 10
	recordsBody = 2 << 20
	uploadBody  = 220 << 20 // four files of 50 MB and their wrapping

	usual    = 5 * time.Second  // reading and writing records
	provided = 15 * time.Second // asking the sign-in provider, up to three times
	slower   = 30 * time.Second // computing findings for a large farm
	moving   = 10 * time.Minute // uploads, imports, exports
	batch    = 25 * time.Second // 500 records, each its own transaction
)

// Roles from least to most.
const (
	roleAnyone   = "anyone"
	roleTablet   = "tablet"
	roleOperator = "operator"
	roleManager  = "manager"
	roleAdmin    = "admin"
)

func roleRank(role string) int {
	return slices.Index([]string{roleAnyone, roleTablet, roleOperator, roleManager, roleAdmin}, role)
}

// routes is the table. A page's GET also answers HEAD.
var routes = withHeads(slices.Concat([]Route{
	{Method: "GET", Path: "/healthz", Role: roleAnyone, handle: (*Server).getHealth, open: true, patience: usual},
	{Method: "GET", Path: "/readyz", Role: roleAnyone, handle: (*Server).getReady, open: true, patience: usual},
	{Method: "GET", Path: "/metrics", Role: roleManager, handle: (*Server).getMetrics, patience: usual},
	{Method: "GET", Path: "/static/:file", Role: roleAnyone, handle: (*Server).getFile, open: true, patience: usual},
	{Method: "GET", Path: "/sw.js", Role: roleAnyone, handle: (*Server).getWorker, open: true, patience: usual},
	{Method: "GET", Path: awayPage, Role: roleAnyone, handle: (*Server).getAway, open: true, patience: usual},
	{Method: "GET", Path: queuePage, Role: roleAnyone, handle: (*Server).getQueue, open: true, patience: usual},
	{Method: "GET", Path: "/offline/farm", Role: roleOperator, handle: (*Server).getAwayFarm, patience: slower},
	{Method: "GET", Path: "/offline/me", Role: roleOperator, handle: (*Server).getMe, patience: usual},
	{Method: "GET", Path: "/trust", Role: roleAnyone, handle: (*Server).getTrust, open: true, patience: usual},
	{Method: "GET", Path: "/trust/authority.crt", Role: roleAnyone, handle: (*Server).getAuthority, open: true, patience: usual},
	{Method: "GET", Path: "/trust/address.svg", Role: roleAnyone, handle: (*Server).getTrustCode, open: true, patience: usual},
	{Method: "GET", Path: "/favicon.ico", Role: roleAnyone, handle: (*Server).getFavicon, open: true, patience: usual},

	{Method: "GET", Path: "/sign-in", Role: roleAnyone, handle: (*Server).getSignIn, patience: usual},
	{Method: "POST", Path: "/sign-in", Role: roleAnyone, handle: (*Server).postSignIn, body: formBody, patience: usual},
	{Method: "GET", Path: "/sign-in/code", Role: roleAnyone, handle: (*Server).getSignInCode, patience: usual},
	{Method: "POST", Path: "/sign-in/code", Role: roleAnyone, handle: (*Server).postSignInCode, body: formBody, patience: usual},
	{Method: "POST", Path: "/sign-in/provider", Role: roleAnyone, handle: (*Server).postProvider, body: formBody, patience: provided},
	{Method: "GET", Path: ProviderBack, Role: roleAnyone, handle: (*Server).getProviderBack, patience: provided},
	{Method: "GET", Path: "/first-use/:key", Role: roleAnyone, handle: (*Server).getFirstUse, patience: usual},
	{Method: "POST", Path: "/first-use/:key", Role: roleAnyone, handle: (*Server).postFirstUse, body: formBody, patience: usual},
	{Method: "GET", Path: "/account", Role: roleOperator, handle: (*Server).getAccount, patience: usual},
	{Method: "POST", Path: "/account/pin", Role: roleOperator, handle: (*Server).postOwnPin, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/pin/off", Role: roleOperator, private: true, handle: (*Server).postOwnPinOff, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/calendar", Role: roleOperator, private: true, handle: (*Server).postCalendar, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/calendar/off", Role: roleOperator, private: true, handle: (*Server).postCalendarOff, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/sign-out", Role: roleOperator, private: true, handle: (*Server).postAccountSignOut, body: formBody, patience: usual},
	{Method: "GET", Path: "/account/second-factor", Role: roleOperator, private: true, handle: (*Server).getFactor, patience: usual},
	{Method: "POST", Path: "/account/second-factor", Role: roleOperator, private: true, handle: (*Server).postFactor, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/second-factor/confirm", Role: roleOperator, private: true, handle: (*Server).postFactorConfirm, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/second-factor/off", Role: roleOperator, private: true, handle: (*Server).postFactorOff, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/provider", Role: roleOperator, private: true, handle: (*Server).postAccountProvider, body: formBody, patience: provided},
	{Method: "POST", Path: "/account/provider/off", Role: roleOperator, private: true, handle: (*Server).postAccountProviderOff, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/password", Role: roleOperator, private: true, handle: (*Server).postOwnPassword, body: formBody, patience: usual},
	{Method: "GET", Path: "/account/notices", Role: roleOperator, private: true, handle: (*Server).getNoticeSettings, patience: usual},
	{Method: "POST", Path: "/account/notices", Role: roleOperator, private: true, handle: (*Server).postNoticeSettings, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/notices/address", Role: roleOperator, private: true, handle: (*Server).postMailAddress, body: formBody, patience: usual},
	{Method: "POST", Path: "/account/notices/forget", Role: roleOperator, private: true, handle: (*Server).postForgetAddress, body: formBody, patience: usual},
	{Method: "GET", Path: "/notices", Role: roleOperator, handle: (*Server).getNotices, patience: usual},
	{Method: "POST", Path: "/notices/read", Role: roleOperator, handle: (*Server).postNoticesRead, body: formBody, patience: usual},
	{Method: "GET", Path: "/notices/confirm/:key", Role: roleAnyone, handle: getMailLink(&confirmLink), patience: usual},
	{Method: "POST", Path: "/notices/confirm/:key", Role: roleAnyone, handle: postMailLink(&confirmLink), body: formBody, patience: usual},
	{Method: "GET", Path: "/notices/stop/:key", Role: roleAnyone, handle: getMailLink(&stopLink), patience: usual},
	{Method: "POST", Path: "/notices/stop/:key", Role: roleAnyone, handle: postMailLink(&stopLink), body: formBody, patience: usual},
	{Method: "GET", Path: "/who", Role: roleTablet, handle: (*Server).getWho, patience: usual},
	{Method: "POST", Path: "/who", Role: roleTablet, handle: (*Server).postWho, body: formBody, patience: usual},
	{Method: "POST", Path: "/who/unsent", Role: roleTablet, handle: (*Server).postUnsent, body: formBody, patience: usual},
	{Method: "GET", Path: "/enrol", Role: roleAnyone, handle: (*Server).getEnrol, patience: usual},
	{Method: "POST", Path: "/enrol", Role: roleAnyone, handle: (*Server).postEnrol, body: formBody, patience: usual},
	{Method: "POST", Path: "/sign-out", Role: roleAnyone, handle: (*Server).postSignOut, body: formBody, patience: usual},
	{Method: "POST", Path: "/theme", Role: roleAnyone, handle: (*Server).postTheme, body: formBody, patience: usual},

	{Method: "POST", Path: "/keys", Role: roleAnyone, handle: (*Server).postKeys, body: formBody, patience: usual},
	{Method: "POST", Path: "/size", Role: roleAnyone, handle: (*Server).postSize, body: formBody, patience: usual},
	{Method: "POST", Path: "/hand", Role: roleAnyone, handle: (*Server).postHandedness, body: formBody, patience: usual},

	{Method: "GET", Path: "/", Role: roleAnyone, handle: (*Server).getRoot, open: true, patience: usual},
	{Method: "GET", Path: "/floor", Role: roleTablet, handle: (*Server).getFloor, patience: slower},
	{Method: "GET", Path: "/live", Role: roleTablet, handle: (*Server).getLive, patience: liveLength, stream: true},
	{Method: "GET", Path: "/grade", Role: roleOperator, handle: (*Server).getGrade, patience: usual},
	{Method: "GET", Path: "/grade/:tag", Role: roleOperator, handle: (*Server).getGradePrinter, patience: usual},
	{Method: "POST", Path: "/grade/:tag", Role: roleOperator, handle: (*Server).postGradePrinter, body: formBody, patience: usual},
	{Method: "GET", Path: "/regrade", Role: roleOperator, handle: (*Server).getRegrade, patience: usual},
	{Method: "POST", Path: "/regrade/draw", Role: roleOperator, handle: (*Server).postRegradeDraw, body: formBody, patience: usual},
	{Method: "POST", Path: "/regrade/undo", Role: roleOperator, handle: (*Server).postRegradeUndo, body: formBody, patience: usual},
	{Method: "POST", Path: "/regrade/:id", Role: roleOperator, handle: (*Server).postRegrade, body: formBody, patience: usual},
	{Method: "GET", Path: "/regrade/:id/photo/file", Role: roleOperator, handle: (*Server).getRegradePhoto, patience: usual},
	{Method: "GET", Path: "/agreement", Role: roleOperator, handle: (*Server).getAgreement, patience: slower},
	{Method: "GET", Path: "/agreement.csv", Role: roleManager, handle: (*Server).getAgreementCSV, patience: slower},
	{Method: "GET", Path: "/risk", Role: roleOperator, handle: (*Server).getRisk, patience: slower},
	{Method: "GET", Path: "/risk.csv", Role: roleOperator, handle: (*Server).getRiskCSV, patience: slower},
	{Method: "GET", Path: "/practice", Role: roleOperator, handle: (*Server).getPractice, patience: usual},
	{Method: "POST", Path: "/practice", Role: roleOperator, handle: (*Server).postPractice, body: formBody, patience: usual},
	{Method: "GET", Path: "/practice/items", Role: roleManager, handle: (*Server).getPracticeItems, patience: usual},
	{Method: "POST", Path: "/practice/items", Role: roleManager, handle: (*Server).postPracticeItem, body: formBody, patience: usual},
	{Method: "POST", Path: "/practice/items/remove", Role: roleManager, handle: (*Server).postPracticeRemove, body: formBody, patience: usual},
	{Method: "GET", Path: "/practice/items/:id/photo/file", Role: roleOperator, handle: (*Server).getPracticePhoto, patience: usual},
	{Method: "GET", Path: "/upkeep", Role: roleOperator, handle: (*Server).getUpkeep, patience: slower},
	{Method: "GET", Path: "/upkeep.ics", Role: roleAnyone, handle: (*Server).getCalendar, patience: slower}, // by its key
	{Method: "GET", Path: "/upkeep/clean", Role: roleOperator, handle: getHand(&cleanAct), patience: usual},
	{Method: "POST", Path: "/upkeep/clean", Role: roleOperator, handle: postHand(&cleanAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/probe", Role: roleOperator, handle: getHand(&probeAct), patience: usual},
	{Method: "POST", Path: "/upkeep/probe", Role: roleOperator, handle: postHand(&probeAct), body: meshBody, patience: usual},
	{Method: "GET", Path: "/upkeep/skip", Role: roleOperator, handle: getHand(&skipAct), patience: usual},
	{Method: "POST", Path: "/upkeep/skip", Role: roleOperator, handle: postHand(&skipAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/skip-task", Role: roleOperator, handle: getHand(&skipTaskAct), patience: usual},
	{Method: "POST", Path: "/upkeep/skip-task", Role: roleOperator, handle: postHand(&skipTaskAct), body: formBody, patience: usual},
	{Method: "POST", Path: "/upkeep/due", Role: roleOperator, handle: (*Server).postDue, body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/fit", Role: roleOperator, handle: getHand(&fitAct), patience: usual},
	{Method: "POST", Path: "/upkeep/fit", Role: roleOperator, handle: postHand(&fitAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/take-off", Role: roleOperator, handle: getHand(&takeOffAct), patience: usual},
	{Method: "POST", Path: "/upkeep/take-off", Role: roleOperator, handle: postHand(&takeOffAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/offset", Role: roleOperator, handle: getHand(&offsetAct), patience: usual},
	{Method: "POST", Path: "/upkeep/offset", Role: roleOperator, handle: postHand(&offsetAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/service", Role: roleOperator, handle: getHand(&serviceAct), patience: usual},
	{Method: "POST", Path: "/upkeep/service", Role: roleOperator, handle: postHand(&serviceAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/state", Role: roleOperator, handle: getHand(&stateAct), patience: usual},
	{Method: "POST", Path: "/upkeep/state", Role: roleOperator, handle: postHand(&stateAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/no-tag", Role: roleOperator, handle: getHand(&noTagAct), patience: usual},
	{Method: "POST", Path: "/upkeep/no-tag", Role: roleOperator, handle: postHand(&noTagAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/which", Role: roleOperator, handle: getHand(&whichAct), patience: usual},
	{Method: "POST", Path: "/upkeep/which", Role: roleOperator, handle: postHand(&whichAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/join", Role: roleOperator, handle: getHand(&joinAct), patience: usual},
	{Method: "POST", Path: "/upkeep/join", Role: roleOperator, handle: postHand(&joinAct), body: formBody, patience: slower},
	{Method: "GET", Path: "/upkeep/hold", Role: roleOperator, handle: getHand(&holdAct), patience: usual},
	{Method: "POST", Path: "/upkeep/hold", Role: roleOperator, handle: postHand(&holdAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/release", Role: roleOperator, handle: getHand(&releaseAct), patience: usual},
	{Method: "POST", Path: "/upkeep/release", Role: roleOperator, handle: postHand(&releaseAct), body: formBody, patience: usual},
	{Method: "GET", Path: "/upkeep/recent", Role: roleOperator, handle: (*Server).getRecent, patience: usual},
	{Method: "GET", Path: "/upkeep/undo", Role: roleOperator, handle: (*Server).getUndo, patience: usual},
	{Method: "POST", Path: "/upkeep/undo", Role: roleOperator, handle: (*Server).postUndo, body: formBody, patience: usual},
	{Method: "GET", Path: "/findings", Role: roleOperator, handle: (*Server).getFindings, patience: slower},
	{Method: "GET", Path: "/findings/:kind/:tag/:cause", Role: roleOperator, handle: (*Server).getFinding, patience: slower},
	{Method: "GET", Path: "/findings/:kind/:tag/:cause/figures.csv", Role: roleOperator, handle: (*Server).getFindingCSV, patience: slower},
	{Method: "POST", Path: "/findings/:kind/:tag/:cause/case", Role: roleManager, handle: (*Server).postCaseStep, body: formBody, patience: slower},
	{Method: "POST", Path: "/findings/:kind/:tag/:cause/case/:id/undo", Role: roleManager, handle: (*Server).postCaseUndo, body: formBody, patience: usual},
	{Method: "GET", Path: "/findings/:kind/:tag/:cause/test", Role: roleManager, handle: (*Server).getPlan, patience: slower},
	{Method: "POST", Path: "/findings/:kind/:tag/:cause/test", Role: roleManager, handle: (*Server).postPlan, body: formBody, patience: slower},
	{Method: "GET", Path: "/tests/:id", Role: roleOperator, handle: (*Server).getTest, patience: usual},
	{Method: "POST", Path: "/tests/:id/end", Role: roleManager, handle: (*Server).postTestEnd, body: formBody, patience: usual},
	{Method: "POST", Path: "/findings/:kind/:tag/:cause/disagreements", Role: roleOperator, handle: (*Server).postDisagreement, body: formBody, patience: slower},
	{Method: "POST", Path: "/findings/:kind/:tag/:cause/disagreements/:id/withdraw", Role: roleOperator, handle: (*Server).postWithdrawal, body: formBody, patience: usual},
	{Method: "POST", Path: "/findings/:kind/:tag/:cause/sheets", Role: roleManager, handle: (*Server).postSheet, body: formBody, patience: slower},
	{Method: "GET", Path: "/findings/sheets/:id", Role: roleOperator, handle: (*Server).getSheet, patience: usual},
	{Method: "GET", Path: "/findings/sheets/:id/check", Role: roleManager, handle: (*Server).getSheetCheck, patience: moving},
	{Method: "GET", Path: "/findings/sheets/:id/sheet.json", Role: roleOperator, handle: (*Server).getSheetJSON, patience: usual},
	{Method: "GET", Path: "/findings/sheets/:id/figures.csv", Role: roleOperator, handle: (*Server).getSheetCSV, patience: usual},
	{Method: "GET", Path: "/reports", Role: roleManager, handle: (*Server).getReports, patience: usual},
	{Method: "GET", Path: "/reports/weeks/:week", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getWeek("") }, patience: slower},
	{Method: "GET", Path: "/reports/weeks/:week/figures.csv", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getWeek("csv") }, patience: slower},
	{Method: "GET", Path: "/reports/weeks/:week/figures.json", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getWeek("json") }, patience: slower},
	{Method: "GET", Path: "/reports/printers/:tag", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getThingSheet("printer", "") }, patience: slower},
	{Method: "GET", Path: "/reports/printers/:tag/figures.csv", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getThingSheet("printer", "csv") }, patience: slower},
	{Method: "GET", Path: "/reports/printers/:tag/figures.json", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getThingSheet("printer", "json") }, patience: slower},
	{Method: "GET", Path: "/reports/plates/:tag", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getThingSheet("plate", "") }, patience: slower},
	{Method: "GET", Path: "/reports/plates/:tag/figures.csv", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getThingSheet("plate", "csv") }, patience: slower},
	{Method: "GET", Path: "/reports/plates/:tag/figures.json", Role: roleManager, handle: func(s *Server) echo.HandlerFunc { return s.getThingSheet("plate", "json") }, patience: slower},
	{Method: "GET", Path: "/reports/audit", Role: roleManager, handle: (*Server).getAudit, patience: slower},
	{Method: "GET", Path: "/reports/audit/pack.zip", Role: roleManager, handle: (*Server).getAuditPack, patience: moving},
	{Method: "GET", Path: "/trends", Role: roleOperator, handle: (*Server).getTrends, patience: slower},
	{Method: "GET", Path: "/trends.csv", Role: roleOperator, handle: (*Server).getTrendsCSV, patience: slower},
	{Method: "GET", Path: "/printers/:tag", Role: roleOperator, handle: (*Server).getPrinter, patience: slower},
	{Method: "GET", Path: "/printers/:tag/coupon", Role: roleOperator, handle: (*Server).getCoupon, patience: usual},
	{Method: "GET", Path: "/printers/:tag/coupon/file", Role: roleOperator, handle: (*Server).getCouponFile, patience: usual},
	{Method: "GET", Path: "/plates/:tag", Role: roleOperator, handle: (*Server).getPlate, patience: slower},
	{Method: "GET", Path: "/plates/:tag/mark", Role: roleOperator, handle: (*Server).getMarkPlate, patience: usual},
	{Method: "GET", Path: "/plates/:tag/mark/svg/file", Role: roleOperator, handle: func(s *Server) echo.HandlerFunc { return s.getMarkFile("svg") }, patience: usual},
	{Method: "GET", Path: "/plates/:tag/mark/dxf/file", Role: roleOperator, handle: func(s *Server) echo.HandlerFunc { return s.getMarkFile("dxf") }, patience: usual},
	{Method: "GET", Path: "/s/:tag", Role: roleOperator, handle: (*Server).getShort, patience: usual},
	{Method: "GET", Path: "/search", Role: roleOperator, handle: (*Server).getSearch, patience: usual},
	{Method: "GET", Path: "/setup/labels", Role: roleOperator, handle: (*Server).getLabels, patience: usual},
	{Method: "GET", Path: "/setup/labels/pdf/file", Role: roleOperator, handle: func(s *Server) echo.HandlerFunc { return s.getLabelsFile("pdf") }, patience: slower},
	{Method: "GET", Path: "/setup/labels/svg/file", Role: roleOperator, handle: func(s *Server) echo.HandlerFunc { return s.getLabelsFile("svg") }, patience: slower},
	{Method: "GET", Path: "/first-layers/:id", Role: roleOperator, handle: (*Server).getFirstLayer, patience: usual},
	{Method: "GET", Path: "/first-layers/:id/correct", Role: roleOperator, handle: (*Server).getCorrect, patience: usual},
	{Method: "POST", Path: "/first-layers/:id/correct", Role: roleOperator, handle: (*Server).postCorrect, body: formBody, patience: usual},
	{Method: "GET", Path: "/first-layers/:id/void", Role: roleOperator, handle: (*Server).getVoid, patience: usual},
	{Method: "POST", Path: "/first-layers/:id/void", Role: roleOperator, handle: (*Server).postVoid, body: formBody, patience: usual},
	{Method: "GET", Path: "/probes/:id", Role: roleOperator, handle: (*Server).getProbe, patience: usual},
	{Method: "GET", Path: "/probes/:id/mesh.csv", Role: roleOperator, handle: (*Server).getProbeCSV, patience: usual},
	{Method: "GET", Path: "/first-layers/:id/done", Role: roleOperator, handle: (*Server).getDone, patience: usual},
	{Method: "POST", Path: "/first-layers/:id/done", Role: roleOperator, handle: (*Server).postDone, body: meshBody, patience: usual},
	{Method: "POST", Path: "/first-layers/:id/decision", Role: roleOperator, handle: (*Server).postDecision, body: formBody, patience: usual},
	{Method: "POST", Path: "/first-layers/:id/outcome", Role: roleOperator, handle: (*Server).postOutcome, body: formBody, patience: usual},
	{Method: "GET", Path: "/handover", Role: roleOperator, handle: (*Server).getHandover, patience: slower},
	{Method: "POST", Path: "/handover", Role: roleOperator, handle: (*Server).postHandover, body: formBody, patience: slower},
	{Method: "GET", Path: "/handover/past", Role: roleOperator, handle: (*Server).getHandovers, patience: usual},
	{Method: "GET", Path: "/handover/:id", Role: roleOperator, handle: (*Server).getHandoverKept, patience: usual},
	{Method: "GET", Path: "/round", Role: roleOperator, handle: (*Server).getRound, patience: usual},
	{Method: "POST", Path: "/round", Role: roleOperator, handle: (*Server).postRound, body: formBody, patience: usual},
	{Method: "GET", Path: "/sweep", Role: roleOperator, handle: (*Server).getSweep, patience: usual},
	{Method: "POST", Path: "/sweep", Role: roleOperator, handle: (*Server).postSweep, body: formBody, patience: usual},
	{Method: "GET", Path: "/sweep/nights", Role: roleOperator, handle: (*Server).getNights, patience: usual},
	{Method: "GET", Path: "/outcomes", Role: roleOperator, handle: (*Server).getOutcomes, patience: usual},
	{Method: "GET", Path: "/outcomes/by-mark", Role: roleOperator, handle: (*Server).getBecame, patience: usual},
	{Method: "GET", Path: "/bead", Role: roleOperator, handle: (*Server).getBead, patience: usual},
	{Method: "GET", Path: "/heights", Role: roleOperator, handle: (*Server).getHeights, patience: slower},
	{Method: "GET", Path: "/heights.csv", Role: roleOperator, handle: (*Server).getHeightsCSV, patience: slower},
	{Method: "GET", Path: "/help", Role: roleTablet, handle: (*Server).getHelp, patience: usual},
	{Method: "GET", Path: "/help/grade-card", Role: roleTablet, handle: (*Server).getGradeCard, patience: usual},
	{Method: "GET", Path: "/help/people", Role: roleOperator, handle: (*Server).getHelpPeople, patience: usual},
	{Method: "GET", Path: "/help/api", Role: roleOperator, handle: (*Server).getHelpAPI, patience: usual},
	{Method: "GET", Path: "/setup", Role: roleManager, handle: (*Server).getSetup, patience: usual},
	{Method: "GET", Path: "/jobs", Role: roleOperator, handle: (*Server).getJobs, patience: usual},
	{Method: "GET", Path: "/jobs/plan", Role: roleOperator, handle: (*Server).getJobPlan, patience: slower},
	{Method: "GET", Path: "/jobs/forecasts", Role: roleOperator, handle: (*Server).getForecasts, patience: usual},
	{Method: "GET", Path: "/jobs/forecasts.csv", Role: roleOperator, handle: (*Server).getForecastsCSV, patience: slower},
	{Method: "GET", Path: "/jobs/plan/timeline", Role: roleOperator, handle: (*Server).getJobTimeline, patience: slower},
	{Method: "GET", Path: "/jobs/plan.csv", Role: roleOperator, handle: (*Server).getJobPlanCSV, patience: slower},
	{Method: "GET", Path: "/jobs/:tag", Role: roleOperator, handle: (*Server).getJob, patience: usual},
	{Method: "GET", Path: "/setup/printers", Role: roleManager, handle: setupPrinters.list(), patience: usual},
	{Method: "GET", Path: "/setup/printers/:tag", Role: roleManager, handle: setupPrinters.page(), patience: usual},
	{Method: "POST", Path: "/setup/printers/:tag", Role: roleManager, handle: setupPrinters.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-printer", Role: roleManager, handle: setupPrinters.addPage(), patience: usual},
	{Method: "POST", Path: "/setup/add-printer", Role: roleManager, handle: setupPrinters.postAdd(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/plates", Role: roleManager, handle: setupPlates.list(), patience: usual},
	{Method: "GET", Path: "/setup/plates/:tag", Role: roleManager, handle: setupPlates.page(), patience: usual},
	{Method: "POST", Path: "/setup/plates/:tag", Role: roleManager, handle: setupPlates.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-plate", Role: roleManager, handle: setupPlates.addPage(), patience: usual},
	{Method: "POST", Path: "/setup/add-plate", Role: roleManager, handle: setupPlates.postAdd(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/materials", Role: roleManager, handle: setupMaterials.list(), patience: usual},
	{Method: "GET", Path: "/setup/materials/:tag", Role: roleManager, handle: setupMaterials.page(), patience: usual},
	{Method: "POST", Path: "/setup/materials/:tag", Role: roleManager, handle: setupMaterials.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-material", Role: roleManager, handle: setupMaterials.addPage(), patience: usual},
	{Method: "POST", Path: "/setup/add-material", Role: roleManager, handle: setupMaterials.postAdd(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/people", Role: roleAdmin, handle: setupPeople.list(), patience: usual},
	{Method: "GET", Path: "/setup/people/:tag", Role: roleAdmin, handle: setupPeople.page(), patience: usual},
	{Method: "POST", Path: "/setup/people/:tag", Role: roleAdmin, handle: setupPeople.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-person", Role: roleAdmin, handle: setupPeople.addPage(), patience: usual},
	{Method: "POST", Path: "/setup/add-person", Role: roleAdmin, handle: setupPeople.postAdd(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/jobs", Role: roleManager, handle: setupJobs.list(), patience: usual},
	{Method: "GET", Path: "/setup/jobs/:tag", Role: roleManager, handle: setupJobs.page(), patience: usual},
	{Method: "POST", Path: "/setup/jobs/:tag", Role: roleManager, handle: setupJobs.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-job", Role: roleManager, handle: setupJobs.addPage(), patience: usual},
	{Method: "POST", Path: "/setup/add-job", Role: roleManager, handle: setupJobs.postAdd(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/shifts", Role: roleManager, handle: setupShifts.list(), patience: usual},
	{Method: "GET", Path: "/setup/shifts/:tag", Role: roleManager, handle: setupShifts.page(), patience: usual},
	{Method: "POST", Path: "/setup/shifts/:tag", Role: roleManager, handle: setupShifts.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-shift", Role: roleManager, handle: setupShifts.addPage(), patience: usual},
	{Method: "POST", Path: "/setup/add-shift", Role: roleManager, handle: setupShifts.postAdd(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/instruments", Role: roleManager, handle: setupInstruments.list(), patience: usual},
	{Method: "GET", Path: "/setup/instruments/:tag", Role: roleManager, handle: setupInstruments.page(), patience: usual},
	{Method: "POST", Path: "/setup/instruments/:tag", Role: roleManager, handle: setupInstruments.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-instrument", Role: roleManager, handle: setupInstruments.addPage(), patience: usual},
	{Method: "POST", Path: "/setup/add-instrument", Role: roleManager, handle: setupInstruments.postAdd(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/mappings", Role: roleAdmin, handle: setupMappings.list(), patience: usual},
	{Method: "GET", Path: "/setup/mappings/:tag", Role: roleAdmin, handle: setupMappings.page(), patience: usual},
	{Method: "POST", Path: "/setup/mappings/:tag", Role: roleAdmin, handle: setupMappings.post(), body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/printers/:tag/screws", Role: roleManager, handle: (*Server).postScrews, body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/password", Role: roleAdmin, handle: (*Server).postPassword, body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/pin", Role: roleAdmin, handle: (*Server).postPersonPin, body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/pin-off", Role: roleAdmin, handle: personAct("pin-off", (*store.Store).EndPin), body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/sign-out", Role: roleAdmin, handle: personAct("sessions", (*store.Store).EndSessions), body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/off", Role: roleAdmin, handle: personAct("off", (*store.Store).DisableAccount), body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/on", Role: roleAdmin, handle: personAct("on", (*store.Store).EnableAccount), body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/remove", Role: roleAdmin, handle: (*Server).postRemove, body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/provider-off", Role: roleAdmin, handle: personAct("unlinked", (*store.Store).UnlinkSignIn), body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/people/:tag/second-factor", Role: roleAdmin, handle: personAct("factor", (*store.Store).EndSecondFactor), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/settings", Role: roleManager, handle: (*Server).getSettings, patience: usual},
	{Method: "POST", Path: "/setup/settings", Role: roleManager, handle: (*Server).postSettings, body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/policies", Role: roleManager, handle: (*Server).getPolicies, patience: usual},
	{Method: "GET", Path: "/setup/policies/:tag", Role: roleManager, handle: (*Server).getPolicy, patience: slower},
	{Method: "POST", Path: "/setup/policies/:tag", Role: roleManager, handle: (*Server).postPolicy, body: formBody, patience: slower},
	{Method: "GET", Path: "/setup/policies/:tag/versions/:id", Role: roleManager, handle: (*Server).getPolicyVersion, patience: slower},
	{Method: "GET", Path: "/setup/add-policy", Role: roleManager, handle: (*Server).getAddPolicy, patience: slower},
	{Method: "POST", Path: "/setup/add-policy", Role: roleManager, handle: (*Server).postAddPolicy, body: formBody, patience: slower},
	{Method: "GET", Path: "/setup/policy-effects", Role: roleManager, handle: (*Server).getPolicyEffects, patience: slower},
	{Method: "GET", Path: "/setup/policy-suggestions", Role: roleManager, handle: (*Server).getSuggestions, patience: slower},
	{Method: "GET", Path: "/setup/policy-suggestions/:kind/:tag", Role: roleManager, handle: (*Server).getSuggestion, patience: slower},
	{Method: "GET", Path: "/setup/policy-suggestions/:kind/:tag/curve.csv", Role: roleManager, handle: (*Server).getSuggestionCSV, patience: slower},
	{Method: "GET", Path: "/setup/over-bonding", Role: roleManager, handle: overBondingPage.get(), patience: usual},
	{Method: "POST", Path: "/setup/over-bonding", Role: roleManager, handle: overBondingPage.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/cautions", Role: roleManager, handle: cautionsPage.get(), patience: usual},
	{Method: "POST", Path: "/setup/cautions", Role: roleManager, handle: cautionsPage.post(), body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/import", Role: roleAdmin, handle: (*Server).getImport, patience: usual},
	{Method: "POST", Path: "/setup/import", Role: roleAdmin, handle: (*Server).postImport, body: uploadBody, patience: moving},
	{Method: "POST", Path: "/setup/import/logs", Role: roleAdmin, handle: (*Server).postLog, body: uploadBody, patience: moving},
	{Method: "GET", Path: "/setup/import/:id/mapping", Role: roleAdmin, handle: (*Server).getMapping, patience: slower},
	{Method: "POST", Path: "/setup/import/:id/mapping", Role: roleAdmin, handle: (*Server).postMapping, body: formBody, patience: moving},
	{Method: "GET", Path: "/setup/import/:id/mapping.json", Role: roleAdmin, handle: (*Server).getMappingJSON, patience: usual},
	{Method: "GET", Path: "/setup/import/:id", Role: roleAdmin, handle: (*Server).getUpload, patience: usual},
	{Method: "POST", Path: "/setup/import/:id", Role: roleAdmin, handle: (*Server).postUpload, body: formBody, patience: moving},
	{Method: "GET", Path: "/setup/import/:id/refused.zip", Role: roleAdmin, handle: (*Server).getRefused, patience: moving},
	{Method: "GET", Path: "/setup/export", Role: roleManager, handle: (*Server).getExport, patience: usual},
	{Method: "GET", Path: "/setup/export/bundle.zip", Role: roleManager, handle: (*Server).getExportZip, patience: moving},
	{Method: "GET", Path: "/setup/notices", Role: roleAdmin, handle: (*Server).getHooks, patience: usual},
	{Method: "POST", Path: "/setup/notices/retry", Role: roleAdmin, handle: (*Server).postRetryDelivery, body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/add-webhook", Role: roleAdmin, handle: (*Server).getAddHook, patience: usual},
	{Method: "POST", Path: "/setup/add-webhook", Role: roleAdmin, handle: (*Server).postAddHook, body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/webhooks/:tag", Role: roleAdmin, handle: (*Server).getHook, patience: usual},
	{Method: "POST", Path: "/setup/webhooks/:tag", Role: roleAdmin, handle: (*Server).postHook, body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/webhooks/:tag/act", Role: roleAdmin, handle: (*Server).postHookAct, body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/tablets", Role: roleAdmin, handle: (*Server).getTablets, patience: usual},
	{Method: "GET", Path: "/setup/add-tablet", Role: roleAdmin, handle: (*Server).getAddTablet, patience: usual},
	{Method: "POST", Path: "/setup/add-tablet", Role: roleAdmin, handle: (*Server).postAddTablet, body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/tablets/:id", Role: roleAdmin, handle: (*Server).getTablet, patience: usual},
	{Method: "POST", Path: "/setup/tablets/:id", Role: roleAdmin, handle: (*Server).postTablet, body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/tablets/:id/code", Role: roleAdmin, handle: (*Server).postTabletCode, body: formBody, patience: usual},
	{Method: "POST", Path: "/setup/tablets/:id/revoke", Role: roleAdmin, handle: (*Server).postTabletRevoke, body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/tokens", Role: roleAdmin, handle: (*Server).getTokens, patience: usual},
	{Method: "GET", Path: "/setup/add-token", Role: roleAdmin, handle: (*Server).getAddToken, patience: usual},
	{Method: "POST", Path: "/setup/add-token", Role: roleAdmin, handle: (*Server).postAddToken, body: formBody, patience: usual},
	{Method: "GET", Path: "/setup/tokens/:tag", Role: roleAdmin, handle: (*Server).getToken, patience: usual},
	{Method: "POST", Path: "/setup/tokens/:tag", Role: roleAdmin, handle: (*Server).postRevoke, body: formBody, patience: usual},

	{Method: "POST", Path: "/first-layers/:id/photos", Role: roleOperator, handle: (*Server).postLayerPhoto, body: photoBody, patience: slower},
	{Method: "GET", Path: "/photos/:id/file", Role: roleOperator, handle: getPicture(false), patience: usual},
	{Method: "GET", Path: "/photos/:id/thumb/file", Role: roleOperator, handle: getPicture(true), patience: usual},
	{Method: "POST", Path: "/photos/:id/remove", Role: roleOperator, handle: (*Server).postPhotoRemove, body: formBody, patience: usual},

	{Method: "POST", Path: "/api/v1/photos", Role: roleOperator, handle: (*Server).apiPhoto, body: photoBody, patience: slower, doc: docPhoto},
	{Method: "POST", Path: "/api/v1/evidence-sheets", Role: roleManager, handle: (*Server).apiWantSheet, body: formBody, patience: slower, doc: docWantSheet},
	{Method: "POST", Path: "/api/v1/records", Role: roleOperator, handle: (*Server).postRecords, records: true, body: recordsBody, patience: batch, doc: docRecords},
	{Method: "GET", Path: "/api/v1/findings", Role: roleOperator, handle: (*Server).apiFindings, patience: slower, doc: docFindings},
	{Method: "GET", Path: "/api/v1/plan", Role: roleOperator, handle: (*Server).apiPlan, patience: slower, doc: docPlan},
	{Method: "GET", Path: "/api/v1/job-outcomes", Role: roleOperator, handle: (*Server).apiJobOutcomes, patience: usual, doc: docJobOutcomes},
	{Method: "GET", Path: "/api/v1/risk", Role: roleOperator, handle: (*Server).apiRisk, patience: slower, doc: docRisk},
	{Method: "GET", Path: "/api/v1/upkeep", Role: roleOperator, handle: (*Server).apiUpkeep, patience: slower, doc: docUpkeep},
	{Method: "GET", Path: "/api/v1/openapi.json", Role: roleAnyone, handle: (*Server).apiDescription, patience: usual, doc: docDescription},
}, apiReads()))

func withHeads(list []Route) []Route {
	out := slices.Clone(list)
	for _, r := range list {
		if r.Method == http.MethodGet {
			r.Method = http.MethodHead
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b Route) int {
		if c := strings.Compare(a.Path, b.Path); c != 0 {
			return c
		}
		return strings.Compare(a.Method, b.Method)
	})
	return out
}

// Private tells whether the route is about somebody's own sign-in, which no shared
// tablet may change.
func (r Route) Private() bool { return r.private }

// Routes gives the table, by path and method.
func Routes() []Route { return slices.Clone(routes) }
