// Command vulnerable calls a function of an old module in which a vulnerability is
// known (GO-2021-0113): the control of the scan, which must find it. It is never built.
package main

import "golang.org/x/text/language"

func main() {
	if _, err := language.Parse("en"); err != nil {
		return
	}
}
