# Fits with tight tolerances and prints every number of a fit with 17 digits, one a line:  model,quantity,name,value
suppressPackageStartupMessages(library(lme4))

tell <- function(model, quantity, name, value) {
  cat(sprintf("%s,%s,%s,%.17g\n", model, quantity, name, value), sep = "")
}

tell_versions <- function(...) {
  packages <- c(...)
  cat("# ", R.version.string, "\n", sep = "")
  for (package in packages) cat("# ", package, " ", as.character(packageVersion(package)), "\n", sep = "")
  cat("model,quantity,name,value\n")
}

# bobyqa to a trust region of 1e-10, started again where it stopped
fit_tightly <- function(formula, data, reml) {
  control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.02, rhoend = 1e-10, maxfun = 200000),
                         check.conv.grad = .makeCC("warning", tol = 1e-3))
  first <- lmer(formula, data, REML = reml, control = control)
  update(first, start = getME(first, "theta"))
}

# fixed effects, their standard errors, variances, covariances as correlations, log-likelihood, predicted effects, and
# what shows that the optimiser arrived: its code and the largest slope of the deviance in the parameters inside the range
tell_lmer <- function(model, formula, data, reml = TRUE) {
  fit <- fit_tightly(formula, data, reml)
  code <- fit@optinfo$conv$opt
  inside <- getME(fit, "theta") > 1e-6 | getME(fit, "lower") < 0
  steepest <- max(abs(fit@optinfo$derivs$gradient[inside]))
  stopifnot(code == 0, length(fit@optinfo$conv$lme4$messages) == 0, steepest < 1e-3, all(inside))
  tell(model, "check", c("optimiser_code", "steepest"), c(code, steepest))
  tell(model, "fixed", names(fixef(fit)), fixef(fit))
  tell(model, "se", names(fixef(fit)), sqrt(diag(as.matrix(vcov(fit)))))
  spread <- as.data.frame(VarCorr(fit))
  group <- sub("\\.[0-9]+$", "", spread$grp)
  alone <- is.na(spread$var2)
  name <- ifelse(is.na(spread$var1), group, paste(group, spread$var1, sep = ":"))
  tell(model, "sd", name[alone], spread$sdcor[alone])
  if (any(!alone)) tell(model, "correlation", group[!alone], spread$sdcor[!alone])
  tell(model, "loglik", if (reml) "reml" else "ml", as.numeric(logLik(fit)))
  effects <- ranef(fit)
  for (group in setdiff(names(effects), c("visit", "part_visit"))) {
    table <- effects[[group]]
    for (column in names(table)) tell(model, paste("effect", group, column, sep = ":"), rownames(table), table[[column]])
  }
  invisible(fit)
}
