# Part in vehicle with visits by lme4 as it comes:  Rscript bench_lme4.R FILE ; prints seconds of the fit and its criterion
suppressPackageStartupMessages(library(lme4))
fleet <- read.csv(commandArgs(trailingOnly = TRUE)[1])
for (name in c("vehicle", "part", "visit")) fleet[[name]] <- factor(fleet[[name]])
random <- y ~ x + (1 | vehicle) + (0 + x | vehicle) + (1 + x | part) + (1 | visit)
seconds <- system.time(fit <- suppressWarnings(suppressMessages(lmer(random, fleet, REML = TRUE))))[["elapsed"]]
cat(sprintf("%.17g %.17g\n", seconds, as.numeric(logLik(fit))))
