package views

// toneClass maps a tone to its class; anything unknown is calm.
func toneClass(tone string) string {
	switch tone {
	case "soon", "act":
		return tone
	default:
		return "calm"
	}
}
