# What survival says of lives that are watched late or taken out for several reasons; run in this folder:
#   Rscript lives.R > lives.csv
suppressPackageStartupMessages(library(survival))

tell <- function(model, quantity, name, value) {
  cat(sprintf("%s,%s,%s,%.17g\n", model, quantity, name, value), sep = "")
}
cat("# ", R.version.string, "\n", sep = "")
cat("# survival ", as.character(packageVersion("survival")), "\n", sep = "")
cat("model,quantity,name,value\n")

lives <- read.csv("late_lives.csv", comment.char = "#")
lives$group <- factor(lives$group)

# Kaplan-Meier and Nelson-Aalen with late entry; band on log(-log S)
fit <- survfit(Surv(entry, time, failed) ~ 1, data = lives, conf.type = "log-log", conf.int = 0.9)
kept <- fit$n.event > 0
for (name in c("time", "n.risk", "n.event", "surv", "std.err", "lower", "upper", "cumhaz", "std.chaz")) {
  value <- fit[[name]][kept]
  if (name == "std.err") value <- value * fit$surv[kept]
  tell("late", name, seq_along(value), value)
}

# log-rank as the score test of a Cox model with exact ties of the usual kind, and its robust form by vehicle
cox <- coxph(Surv(entry, time, failed) ~ group + cluster(vehicle), data = lives, ties = "breslow")
tell("late", "score", "robust", cox$rscore)
tell("late", "score", "breslow", cox$score)

# competing reasons: the chance of each by every removal
lives$state <- factor(lives$reason, levels = c("", "worn", "broken"))
gone <- survfit(Surv(entry, time, state) ~ 1, data = lives, id = seq_len(nrow(lives)))
kept <- rowSums(gone$n.event[, -1]) > 0
for (k in 2:3) tell("late", gone$states[k], seq_len(sum(kept)), gone$pstate[kept, k])

# remission with 6-MP and with placebo (Freireich et al. 1963): Weibull lives of one shape
time <- c(6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35,
          1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)
ended <- c(1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0, rep(1, 21))
treated <- rep(c(1, 0), each = 21)
aft <- survreg(Surv(time, ended) ~ treated, control = survreg.control(rel.tolerance = 1e-14, maxiter = 200))
tell("remission", "fixed", c("placebo", "treated"), coef(aft))
tell("remission", "se", "treated", sqrt(aft$var[2, 2]))
tell("remission", "sd", "log scale", log(aft$scale))
tell("remission", "loglik", "ml", aft$loglik[2])
