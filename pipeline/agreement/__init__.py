from pipeline.agreement.measuring import Agreement, measure_agreement

__all__ = ["Agreement", "measure_agreement"]
