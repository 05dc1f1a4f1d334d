# What lme4 and AER say about published data sets; run in this folder:  Rscript known_models.R > known_models.csv
source("tell.R")
suppressPackageStartupMessages(library(AER))

read <- function(file) read.csv(file, comment.char = "#")
sleepstudy <- read("sleepstudy.csv")
orthodont <- read("orthodont.csv")
orthodont$Sex <- factor(orthodont$Sex, levels = c("Male", "Female"))
orthodont$centred <- orthodont$age - 11
dyestuff <- read("dyestuff.csv")
affairs <- read("affairs.csv")
tobin <- read("tobin.csv")

tell_versions("lme4", "AER", "survival")
for (reml in c(TRUE, FALSE)) {
  method <- if (reml) "reml" else "ml"
  named <- function(name) paste(name, method)
  tell_lmer(named("sleepstudy"), Reaction ~ Days + (1 + Days | Subject), sleepstudy, reml)
  tell_lmer(named("sleepstudy uncorrelated"), Reaction ~ Days + (1 | Subject) + (0 + Days | Subject), sleepstudy, reml)
  tell_lmer(named("sleepstudy level"), Reaction ~ Days + (1 | Subject), sleepstudy, reml)
  tell_lmer(named("orthodont"), distance ~ age + (1 + age | Subject), orthodont, reml)
  tell_lmer(named("orthodont centred"), distance ~ centred + (1 + centred | Subject), orthodont, reml)
  tell_lmer(named("orthodont sex"), distance ~ age + Sex + (1 | Subject), orthodont, reml)
  tell_lmer(named("orthodont females"), distance ~ age + (1 | Subject), subset(orthodont, Sex == "Female"), reml)
  tell_lmer(named("dyestuff"), Yield ~ 1 + (1 | Batch), dyestuff, reml)
}

tell_tobit <- function(model, formula, data, left, right) {
  tight <- survreg.control(rel.tolerance = 1e-14, maxiter = 200)
  fit <- do.call(tobit, list(formula, left = left, right = right, data = data, control = tight))
  names <- names(coef(fit))
  tell(model, "fixed", names, coef(fit))
  tell(model, "se", names, sqrt(diag(fit$var))[seq_along(names)])
  tell(model, "sd", "error", fit$scale)
  tell(model, "log_sd_se", "error", sqrt(diag(fit$var))[length(names) + 1])
  tell(model, "loglik", "ml", as.numeric(logLik(fit)))
}
causes <- affairs ~ age + yearsmarried + religiousness + occupation + rating
tell_tobit("affairs", causes, affairs, 0, Inf)
tell_tobit("affairs both sides", causes, affairs, 0, 4)
tell_tobit("tobin", durable ~ age + quant, tobin, 0, Inf)
