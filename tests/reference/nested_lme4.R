# What lme4 says about the readings of nested_fleet.csv; run in this folder:  Rscript nested_lme4.R > nested_lme4.csv
#
# Part in vehicle, both with a level and a rate (uncorrelated in the vehicle, correlated in the part), what a visit shares, and with repeats
# what one part's repeats at one visit share. Exposure x in 10,000 km.
source("tell.R")

fleet <- read.csv("nested_fleet.csv", comment.char = "#", stringsAsFactors = TRUE)
fleet$part_visit <- interaction(fleet$part, fleet$visit, drop = TRUE)
once <- droplevels(subset(fleet, repeat. == 1))
nested <- "(1 | vehicle) + (0 + x | vehicle) + (1 + x | part) + (1 | visit)"
repeated <- paste(nested, "+ (1 | part_visit)")
model <- function(fixed, random) as.formula(paste("y ~", fixed, "+", random))

tell_versions("lme4")
for (reml in c(TRUE, FALSE)) {
  named <- function(name) paste(name, if (reml) "reml" else "ml")
  tell_lmer(named("once"), model("x", nested), once, reml)
  tell_lmer(named("once covariate"), model("x + z", nested), once, reml)
  tell_lmer(named("repeats"), model("x", repeated), fleet, reml)
  tell_lmer(named("repeats families"), model("0 + family + family:x", repeated), fleet, reml)
  tell_lmer(named("repeats everything"), model("0 + family + family:x + z + rig", repeated), fleet, reml)
}
